"""The sides of a room as views from its inside: where its surface should lie, and where it was seen."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from nightbay.coverage import coverage, views
from nightbay.coverage.views import Grid
from nightbay.frame.result import Plane

AXIS = {  # of each side: its axis in the design grid and the end of it
    "floor": (2, 0),
    "roof": (2, 1),
    "left wall": (1, 0),
    "right wall": (1, 1),
    "front wall": (0, 0),
    "rear wall": (0, 1),
}
DEPTH_MM = 150.0  # walls bend and lean, and ribs stand out, by less from the plane that was found of them
RECESS_MM = 500.0  # step wells and the insides of doors lie by less outside of that plane
BESIDE_MM = 100.0  # a plane goes on by that much beyond the points that were seen of it


@dataclass(frozen=True)
class RoomSide:
    """A side of a room; arrays over the cells of its ``grid``.

    ``within``: the side extends over the cell; ``depth_mm``: how far towards the viewer its surface should lie;
    ``filled``: surface was seen there, or in a recess behind; ``slant``: cosine between that surface's normal and the
    view, NaN where there is none; ``planes`` of the side, design grid.
    """

    grid: Grid
    within: np.ndarray
    depth_mm: np.ndarray
    filled: np.ndarray
    slant: np.ndarray
    planes: Sequence[Plane]

    def places(self, mask: np.ndarray) -> np.ndarray:
        """Where the surface of the marked cells should lie, (k, 3) mm."""
        middles, toward = self.grid.middles(mask), self.grid.toward
        return middles[:, :1] * self.grid.right + middles[:, 1:] * self.grid.up + self.depth_mm[mask][:, None] * toward

    def off(self, points_mm: np.ndarray) -> np.ndarray:
        """How far points (n, 3) stand out from where the side's surface should lie, (n,) mm; negative behind it."""
        at = (self.grid.plane(points_mm) - self.grid.low_mm) / self.grid.cell_mm - 0.5
        return points_mm @ self.grid.toward - ndimage.map_coordinates(self.depth_mm, at.T, order=1, mode="nearest")

    def level_slant(self, mask: np.ndarray) -> float:
        """Cosine of the side's largest plane to the view, 1 without one."""
        return float(self.planes[0].normal @ self.grid.toward) if self.planes else 1.0


def enclosed(points_mm: np.ndarray, planes: Sequence[Plane]) -> bool:
    """Whether points and planes are those of a room: it has a floor and two walls at least, and it is wider than what
    may stand out from two sides."""
    kinds = {plane.kind for plane in planes}
    walls = len(kinds & {"left wall", "right wall", "front wall", "rear wall"})
    return "floor" in kinds and walls >= 2 and bool(np.ptp(bounds(points_mm, planes), axis=0).min() > 2 * DEPTH_MM)


def bounds(points_mm: np.ndarray, planes: Sequence[Plane]) -> np.ndarray:
    """The room's bounds, (2, 3) mm: its outermost floor, roof and walls; where one is missing, the end of the others.

    Of what others see of that end the median counts: ground outside an open door is no floor of the room.
    """
    found = np.percentile(points_mm, [0.5, 99.5], axis=0)
    for name, (axis, end) in AXIS.items():
        own = [(plane.low_mm, plane.high_mm)[end][axis] for plane in planes if plane.kind == name]
        if own:
            found[end, axis] = max(own) if end else min(own)
            continue
        across: dict[str, float] = {}
        for plane in planes:  # the largest of each kind comes first
            if plane.kind in AXIS and AXIS[plane.kind][0] != axis:
                across.setdefault(plane.kind, (plane.low_mm, plane.high_mm)[end][axis])
        if across:
            found[end, axis] = np.median(list(across.values()))
    return found


def sides(
    points_mm: np.ndarray, normals: np.ndarray, planes: Sequence[Plane], room_mm: np.ndarray, cell_mm: float
) -> dict[str, RoomSide]:
    """The sides of a room by name; points (n, 3) with normals (n, 3), about ``coverage.A_CELL`` in a cell of plain
    surface."""
    reach = np.array([[-RECESS_MM], [RECESS_MM]])
    near = ((points_mm > room_mm[0] + reach[0]) & (points_mm < room_mm[1] + reach[1])).all(axis=1)
    points_mm, normals = points_mm[near], normals[near]
    found = {name: _side(name, points_mm, normals, planes, room_mm, cell_mm) for name in AXIS}
    return {name: replace(side, within=_enclosed_part(name, side, found)) for name, side in found.items()}


def _enclosed_part(name: str, side: RoomSide, every: Mapping[str, RoomSide]) -> np.ndarray:
    """The cells of a side that lie inside of the others' largest planes: walls that lean in make a roof narrower."""
    places = side.places(np.ones(side.within.shape, bool))
    inside = np.ones(len(places), bool)
    for other, beside in every.items():
        if AXIS[other][0] != AXIS[name][0] and beside.planes:
            plane = beside.planes[0]
            inside &= places @ plane.normal > plane.offset_mm - side.grid.cell_mm / 4
    return side.within & inside.reshape(side.within.shape)


def _side(
    name: str,
    points_mm: np.ndarray,
    normals: np.ndarray,
    planes: Sequence[Plane],
    room_mm: np.ndarray,
    cell_mm: float,
) -> RoomSide:
    grid = views.grid(name, room_mm, cell_mm)
    mine = [plane for plane in planes if plane.kind == name]
    column, row = grid.cells(points_mm)
    every = np.zeros(grid.shape, bool)
    every[column, row] = True
    ends = np.sort(grid.plane(room_mm), axis=0)
    middles = grid.middles(np.ones(grid.shape, bool)).reshape(*grid.shape, 2)
    within = views.silhouette(every) & ((middles > ends[0]) & (middles < ends[1])).all(axis=2)
    depth = _level(grid, mine, middles, room_mm, name)
    slant = normals @ grid.toward
    off = points_mm @ grid.toward - depth[column, row]
    shown = (slant > 0) & (off < DEPTH_MM) & (off > -RECESS_MM)
    flat = (column * grid.shape[1] + row)[shown]
    size = grid.shape[0] * grid.shape[1]
    count = np.bincount(flat, minlength=size).reshape(grid.shape)
    total = np.bincount(flat, slant[shown], minlength=size).reshape(grid.shape)
    with np.errstate(invalid="ignore"):
        mean_slant = total / count
    capped = np.minimum(count, coverage.A_CELL).astype(np.float32)
    filled = ndimage.uniform_filter(capped, 3, mode="constant") / coverage.A_CELL >= views.FILLED
    filled &= ndimage.uniform_filter((capped > 0).astype(np.float32), 3, mode="constant") >= views.OCCUPIED
    filled |= count >= coverage.A_CELL / 2  # a wall seen edge on is narrower than three cells
    return RoomSide(grid, within, depth, filled, mean_slant, mine)


def _level(grid: Grid, planes: Sequence[Plane], middles: np.ndarray, room_mm: np.ndarray, name: str) -> np.ndarray:
    """How far towards the viewer a side's surface should lie in each cell: its planes', the outermost where several
    lie there and the largest's where none does; the room's end without a plane."""
    axis, end = AXIS[name]
    outer = grid.toward[axis] * room_mm[end, axis]
    if not planes:
        return np.full(grid.shape, outer)
    level = np.full(grid.shape, np.inf)
    for plane in planes:
        found = (plane.offset_mm - middles @ [plane.normal @ grid.right, plane.normal @ grid.up]) / (
            plane.normal @ grid.toward
        )
        ends = np.sort([grid.plane(plane.low_mm[None])[0], grid.plane(plane.high_mm[None])[0]], axis=0)
        here = ((middles > ends[0] - BESIDE_MM) & (middles < ends[1] + BESIDE_MM)).all(axis=2)
        level = np.where(here, np.minimum(level, found), level)
        if plane is planes[0]:
            largest = found
    # no plane goes on beyond the room's end by more than walls bend
    return np.clip(np.where(np.isfinite(level), level, largest), outer - DEPTH_MM, None)
