"""Finds places of a room that were never seen, and tells them from doors, windows and other openings."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from nightbay.core.axes import Axes
from nightbay.coverage import coverage, edges, holes, outline, returns, room_places, room_sides, room_sight, views
from nightbay.coverage.holes import Hole
from nightbay.coverage.result import Area, Coverage
from nightbay.coverage.room_sides import RoomSide
from nightbay.coverage.room_signs import RoomSigns
from nightbay.frame.result import Plane

# A place is looked for where so many of the positions that face it see it: less is a corner behind what stands there.
IN_SIGHT = 0.15
WINDOW = 0.5  # windows reach above this share of the room's height
# Least shares of its bounds that a window fills, as a rounded one does, and of its surroundings that are wall.
WINDOW_FULL, WINDOW_BESIDE = 0.75, 0.9
WHOLE = 0.5  # an end is open where more of it than this is a hole
BED_MM = 1000.0  # what is open above and no higher is a bed: no room with a roof is so low (common practice, no source)
# A door reaches from so near the floor over so much of the height, and is so wide, against the length of its side.
SILL_MM, DOOR_HIGH, DOOR_LEAST_MM, DOOR_MOST, DOOR_FULL = 200.0, 0.6, 500.0, 0.6, 0.8
# A frame lies by so much behind the wall: this share of the surface round a hole lies behind where the wall is.
FRAME_MM, WALL = 5.0, 0.05
OPPOSITE = {"left wall": "right wall", "right wall": "left wall"}
LEVEL = ("floor", "roof")
ENDS = ("front wall", "rear wall")  # the rear last
WALLS = ("left wall", "right wall", *ENDS)


@dataclass(frozen=True)
class RoomSurface:
    """A room as it was scanned, in the vehicle frame.

    ``points_mm`` (n, 3) with unit ``normals`` (n, 3) into the room; ``others_mm`` (k, 3): points that were not taken
    for surface; ``axes``: convention of the frame; ``mirrored``: Y = 0 is the middle between the side walls;
    ``planes`` as the frame found them; ``up_decided`` and ``along_decided``: the evidence decides which way is up and
    which way the room's length runs.
    """

    points_mm: np.ndarray
    normals: np.ndarray
    others_mm: np.ndarray
    axes: Axes
    mirrored: bool
    planes: Sequence[Plane]
    up_decided: bool = True
    along_decided: bool = True


def find(room: RoomSurface, least_mm2: float = coverage.LEAST_MM2) -> Coverage:
    """The :class:`Coverage` of a room: areas of at least ``least_mm2`` of its floor, roof and walls without surface.

    A place counts where a scanner in the room could have seen it past what stands there. It is open where surface
    outside the room shows through it, points come back from all over it, a frame follows its edge, it is as large and
    high as a door, it is the room's open end, or where it lies in a wall at the height of windows and looks the same on
    both sides. Else it was never seen.
    """
    design = _in_design_grid(room)
    spacing = coverage.spacing(design.points_mm)
    cell_mm = max(coverage.CELL_MM, float(np.sqrt(coverage.A_CELL)) * spacing)
    if spacing > coverage.MOST_SPACING_MM:
        return Coverage([], cell_mm, least_mm2, spacing, coverage.MOST_SPACING_MM)
    return _Search(design, cell_mm, spacing, least_mm2).run()


def enclosed(room: RoomSurface) -> bool:
    """Whether it is a room: without a floor and two walls that stand apart, its sides can't be told."""
    return room_sides.enclosed(room.points_mm, room.planes)


def drawn(room: RoomSurface) -> tuple[np.ndarray, np.ndarray]:
    """Points (n, 3), mm, of the room and of what lies near behind its sides, with normals (n, 3), design grid."""
    design = _in_design_grid(room)
    low, high = room_sides.bounds(design.points_mm, design.planes)
    near = np.all(
        (design.points_mm > low - room_sides.RECESS_MM) & (design.points_mm < high + room_sides.RECESS_MM), axis=1
    )
    return design.points_mm[near], design.normals[near]


def _in_design_grid(room: RoomSurface) -> RoomSurface:
    """The room with X rearward and Y to the right."""
    turn = np.array([-room.axes.forward, -room.axes.left, 1.0])
    planes = []
    for plane in room.planes:
        ends = np.sort([plane.low_mm * turn, plane.high_mm * turn], axis=0)
        planes.append(replace(plane, normal=plane.normal * turn, low_mm=ends[0], high_mm=ends[1]))
    return replace(
        room,
        points_mm=room.points_mm * turn,
        normals=room.normals * turn,
        others_mm=room.others_mm * turn,
        planes=planes,
    )


class _Search:
    """The search over all sides; everything in the design grid."""

    def __init__(self, room: RoomSurface, cell_mm: float, spacing: float, least_mm2: float) -> None:
        self.room, self.cell_mm, self.spacing_mm, self.least_mm2 = room, cell_mm, spacing, least_mm2
        step = max(1, round((cell_mm / spacing) ** 2 / coverage.A_CELL))
        points, normals = room.points_mm[::step], room.normals[::step]
        self.every = np.concatenate([room.points_mm, room.others_mm])
        self.bounds = room_sides.bounds(room.points_mm, room.planes)
        self.sides = room_sides.sides(points, normals, room.planes, self.bounds, cell_mm)
        self.density = len(points) * step / max(1, sum(np.count_nonzero(side.filled) for side in self.sides.values()))
        self.cells = room_sight.space(self.every, self.bounds, cell_mm)
        self.viewpoints = room_sight.viewpoints(self.cells)
        self.seen = {name: self._in_sight(side) for name, side in self.sides.items()}
        self.masks = {
            name: _wide(np.nan_to_num(self.seen[name]) >= IN_SIGHT, side.within) for name, side in self.sides.items()
        }
        self.open = self._open_ends()

    def _in_sight(self, side: RoomSide) -> np.ndarray:
        """Share of the positions that see each cell without surface, NaN for the others."""
        mask = side.within & ~side.filled
        found = np.full(mask.shape, np.nan)
        found[mask] = room_sight.in_sight(self.cells, self.viewpoints, side.places(mask), side.grid.toward)
        return found

    def _open_ends(self) -> list[str]:
        """The sides that are open by nature: one end of the room, or the top of a bed.

        Of two ends that are open it is the rear, because its doors stand open. Where the evidence does not decide which
        sides are the ends, it is the largest that is open.
        """
        whole = {
            name: float(self.masks[name].sum() / max(1.0, float(side.within.sum())))
            for name, side in self.sides.items()
        }
        known = self.room.up_decided and self.room.along_decided
        sides = ENDS if known else WALLS if self.room.up_decided else tuple(self.sides)
        ends = [name for name in sides if whole[name] > WHOLE]
        if not known:
            ends.sort(key=lambda name: np.count_nonzero(self.masks[name]))
        found = ends[-1:]
        if whole["roof"] > WHOLE and self.bounds[1, 2] - self.bounds[0, 2] < BED_MM:
            found.append("roof")
        return found

    def run(self) -> Coverage:
        """The areas of all sides."""
        found = holes.joined([hole for name in self.sides for hole in self._in_side(name)])
        found = [hole for hole in found if hole.most_mm2 >= self.least_mm2]
        found.sort(key=lambda hole: (hole.verdict != "never seen", -hole.area_mm2))
        areas = [self._listed(number, hole) for number, hole in enumerate(found, 1)]
        return Coverage(areas, self.cell_mm, self.least_mm2, self.spacing_mm, coverage.MOST_SPACING_MM)

    def _in_side(self, name: str) -> list[Hole]:
        least = self.least_mm2 / 8 / self.cell_mm**2
        return [self._hole(name, mask) for mask in coverage.components(self.masks[name], least)]

    def _hole(self, name: str, mask: np.ndarray) -> Hole:
        side = self.sides[name]
        ring = ndimage.binary_dilation(mask, iterations=3) & side.filled & (side.slant > views.FACING)
        slant = float(np.median(side.slant[ring])) if ring.any() else side.level_slant(mask)
        places = side.places(mask)
        low, high = places.min(axis=0), places.max(axis=0)
        edge = np.count_nonzero(mask & ~ndimage.binary_erosion(mask))
        share, looked_at = returns.returned(side.grid, mask, side.depth_mm[mask], self.every, self.density)
        signs = RoomSigns(
            in_sight=float(np.median(self.seen[name][mask & np.isfinite(self.seen[name])])),
            mirrored=self._mirrored(name, mask),
            returns=share,
            looked_at=looked_at,
            through=self._through(side, mask),
            framed=self._framed(side, mask),
            doorway=self._doorway(name, mask, low, high),
            window=self._window(name, mask, high),
            open_end=name in self.open and bool(mask.sum() > WHOLE * side.within.sum()),
        )
        area = np.array([np.count_nonzero(mask) + edge / 2, edge / 4]) * self.cell_mm**2
        return Hole(
            view=name,
            verdict="never seen" if signs.never_seen else "open",
            projected_mm2=float(area[0]),
            edge_mm2=float(area[1]),
            slant=slant,
            centre_mm=places.mean(axis=0),
            low_mm=low,
            high_mm=high,
            signs=signs,
            outlines_mm={name: outline.polygons(mask, side.grid.low_mm, self.cell_mm)},
        )

    def _height(self, z_mm: float) -> float:
        return float((z_mm - self.bounds[0, 2]) / (self.bounds[1, 2] - self.bounds[0, 2]))

    def _mirrored(self, name: str, mask: np.ndarray) -> float | None:
        """Share of a hole that has surface at its mirror image."""
        if not self.room.mirrored:
            return None
        filled = self.sides[OPPOSITE.get(name, name)].filled
        image = filled[:, ::-1] if name in LEVEL else filled[::-1]
        return float(np.mean(image[mask]))

    def _through(self, side: RoomSide, mask: np.ndarray) -> bool:
        """Whether surface outside the room shows through a hole."""
        inner = returns.inner(mask)
        column, row = side.grid.cells(self.every)
        behind = self.every @ side.grid.toward < side.depth_mm[column, row] - returns.DEPTH_MM
        shown = np.zeros_like(mask)
        shown[column[behind], row[behind]] = True
        return bool(np.count_nonzero(shown & inner) >= coverage.SHOWS_THROUGH * np.count_nonzero(inner))

    def _framed(self, side: RoomSide, mask: np.ndarray) -> float | None:
        # a cell counts as surface by its neighbours, so the edge runs up to one beside those of the hole
        mask = ndimage.binary_dilation(mask)
        margin = int(np.ceil(edges.FAR_MM / self.cell_mm)) + 2
        near = ndimage.binary_dilation(mask, iterations=margin)
        column, row = side.grid.cells(self.room.points_mm)
        rows = np.flatnonzero(near[column, row])
        points, off = self.room.points_mm[rows], side.off(self.room.points_mm[rows])
        rows, points, off = (values[np.abs(off) < room_sides.DEPTH_MM] for values in (rows, points, off))
        facing = self.room.normals[rows] @ side.grid.toward > views.FACING
        wall = facing & ~mask[column[rows], row[rows]]
        if not wall.any():
            return None
        # what stands at the wall steps back to the wall: a frame lies behind all of it
        beyond = float(np.quantile(off[wall], WALL)) - FRAME_MM
        near_mm = max(edges.NEAR_MM, 1.5 * self.cell_mm)
        return edges.edged(mask, side.grid.low_mm, self.cell_mm, side.grid.plane(points), off, near_mm, beyond)

    def _window(self, name: str, mask: np.ndarray, high: np.ndarray) -> bool:
        """Whether a hole in a wall has the place and the form of a window: compact, with wall all round."""
        if name in LEVEL or self._height(high[2]) < WINDOW:
            return False
        cells = np.argwhere(mask)
        full = len(cells) / np.prod(np.ptp(cells, axis=0) + 1)
        # the cells beside it may be a seal that returns nothing: the next ones are wall
        ring = ndimage.binary_dilation(mask, iterations=3) & ~ndimage.binary_dilation(mask, iterations=2)
        return bool(full > WINDOW_FULL and np.mean(self.sides[name].filled[ring]) > WINDOW_BESIDE)

    def _doorway(self, name: str, mask: np.ndarray, low: np.ndarray, high: np.ndarray) -> bool:
        """Whether a hole in a wall has the place and the size of a door."""
        if name in LEVEL:
            return False
        along = 1 if name in ENDS else 0
        wide = float(high[along] - low[along]) + self.cell_mm
        full = np.count_nonzero(mask) * self.cell_mm**2 / (wide * (high[2] - low[2] + self.cell_mm))
        return bool(
            low[2] - self.bounds[0, 2] < SILL_MM
            and self._height(high[2]) > DOOR_HIGH
            and full > DOOR_FULL
            and DOOR_LEAST_MM < wide < max(DOOR_MOST * (self.bounds[1] - self.bounds[0])[along], DOOR_LEAST_MM)
        )

    def _listed(self, number: int, hole: Hole) -> Area:
        turn = np.array([-self.room.axes.forward, -self.room.axes.left, 1.0])
        ends = np.sort([hole.low_mm * turn, hole.high_mm * turn], axis=0)
        return Area(
            number=number,
            verdict="never seen" if hole.verdict == "never seen" else "open",
            view=hole.view,
            location=room_places.location(hole.view, hole.centre_mm, self.bounds),  # type: ignore[arg-type]
            area_mm2=hole.area_mm2,
            most_mm2=hole.most_mm2,
            centre_mm=hole.centre_mm * turn,
            low_mm=ends[0],
            high_mm=ends[1],
            signs=hole.signs,
            outlines_mm=hole.outlines_mm,
        )


def _wide(mask: np.ndarray, within: np.ndarray) -> np.ndarray:
    """Without strips of one or two cells, which are the scatter of an edge; corners of what is wider stay, and strips
    of two cells at the end of a side, beyond which a place round the room's corner goes on."""
    wide = ndimage.binary_dilation(coverage.wide(mask | ~within), np.ones((3, 3)))
    return mask & wide & ndimage.binary_opening(mask, np.ones((2, 2)))
