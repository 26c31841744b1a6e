"""Finds places of a vehicle's outside that were never seen, and tells them from places that are open by nature."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage
from scipy.interpolate import RBFInterpolator
from scipy.spatial import cKDTree

from nightbay.core.axes import Axes
from nightbay.coverage import edges, holes, outline, returns, views
from nightbay.coverage.holes import Hole
from nightbay.coverage.places import Frame
from nightbay.coverage.result import Area, Coverage
from nightbay.coverage.signs import Signs
from nightbay.coverage.views import Grid, Image, View

LEAST_MM2 = 50_000.0  # a palm's breadth squared and more: 0.05 m2
# A cell is wide enough for six points of plain surface, so that one in 400 is empty by chance, and a surface of which a
# third comes back (dark trim) still shows.
CELL_MM, A_CELL, WIDEST_MM = 20.0, 6.0, 60.0
MOST_SPACING_MM = float(WIDEST_MM / np.sqrt(A_CELL))  # of the points, in the widest cells
OPPOSITE = {"left": "right", "right": "left"}
SEEN_BESIDE = 0.5  # share of a place with surface on the other side that a wheel arch needs not to be open by nature
DENSE = 0.5  # share of the points of plain surface that the other side must hold where windows are
# Glazing may return nothing and lie flush with the body. What reaches above this share of the height may be glazing.
GLAZED = 0.5
SHOWS_THROUGH = 0.25  # share of a hole behind which surface lies deep inside
BRIM_CELLS = 300  # of the surface round a hole that its continuation is computed from


@dataclass(frozen=True)
class Surface:
    """A vehicle's outside as it was scanned, in the vehicle frame.

    ``points_mm`` (n, 3) with unit outward ``normals`` (n, 3), evenly dense or not: points of scans, or vertices of a
    surface; ``others_mm`` (k, 3): points that were not taken for surface, which show where the scanner looked;
    ``axes``: convention of the frame; ``mirrored``: Y = 0 is a symmetry plane; ``axles_x_mm`` and ``radius_mm`` of the
    wheels where they are known.
    """

    points_mm: np.ndarray
    normals: np.ndarray
    others_mm: np.ndarray
    axes: Axes
    mirrored: bool
    axles_x_mm: Sequence[float] = ()
    radius_mm: float = 0.0


def find(surface: Surface, least_mm2: float = LEAST_MM2) -> Coverage:
    """The :class:`Coverage` of a vehicle's outside: areas of at least ``least_mm2`` without surface.

    Cells of five views are compared with their mirror image. Where only one side has surface, the other was never
    seen, unless points come back from all over it, as from glazing on one side. Where both sides are open, a place was
    never seen if it lies below the windows, nothing comes back from it, no step or flange follows its edge and nothing
    shows through it, or if no surface borders on it. Else it is open, and the evidence says why: glazing that returns
    nothing and lies flush can't be told from a place that was never seen. Wheel arches, and what lies below the axles
    on a side or below half a wheel's radius at an end, are open by nature.
    """
    design = _in_design_grid(surface)
    apart_mm = spacing(design.points_mm)
    cell_mm = max(CELL_MM, float(np.sqrt(A_CELL)) * apart_mm)
    if apart_mm > MOST_SPACING_MM:
        return Coverage([], cell_mm, least_mm2, apart_mm, MOST_SPACING_MM)
    return _Search(design, cell_mm, apart_mm, least_mm2).run()


def _in_design_grid(surface: Surface) -> Surface:
    """The surface with X rearward and Y to the right."""
    turn = np.array([-surface.axes.forward, -surface.axes.left, 1.0])
    return replace(
        surface,
        points_mm=surface.points_mm * turn,
        normals=surface.normals * turn,
        others_mm=surface.others_mm * turn,
        axles_x_mm=sorted(x_mm * -surface.axes.forward for x_mm in surface.axles_x_mm),
    )


def spacing(points_mm: np.ndarray) -> float:
    """Distance of points by their density, mm, which three quarters of them do not exceed."""
    some = points_mm[:: max(1, len(points_mm) // 20_000)]
    fourth = cKDTree(points_mm).query(some, 5)[0][:, 4]
    return float(np.quantile(fourth, 0.75) * np.sqrt(np.pi / 4))


class _Search:
    """The search over all views; everything in the design grid."""

    def __init__(self, surface: Surface, cell_mm: float, spacing: float, least_mm2: float) -> None:
        self.surface, self.cell_mm, self.spacing_mm, self.least_mm2 = surface, cell_mm, spacing, least_mm2
        # as many points as a cell needs: a denser cloud must not make glass look like surface
        step = max(1, round((cell_mm / spacing) ** 2 / A_CELL))
        points, normals = surface.points_mm[::step], surface.normals[::step]
        self.views = {
            name: views.view(views.grid(name, surface.points_mm, cell_mm), points, normals, A_CELL)
            for name in views.VIEWS
        }
        self.density = len(points) * step / sum(np.count_nonzero(view.filled) for view in self.views.values())
        self.every = np.concatenate([surface.points_mm, surface.others_mm])
        self.frame = Frame(
            surface.points_mm.min(axis=0), surface.points_mm.max(axis=0), surface.axles_x_mm, surface.radius_mm
        )
        self.slant = {name: surface.normals @ view.grid.toward for name, view in self.views.items()}

    def run(self) -> Coverage:
        found = holes.joined([hole for name, view in self.views.items() for hole in self._in_view(name, view)])
        found = [hole for hole in found if hole.most_mm2 >= self.least_mm2]
        found.sort(key=lambda hole: (hole.verdict != "never seen", -hole.area_mm2))
        areas = [self._listed(number, hole) for number, hole in enumerate(found, 1)]
        return Coverage(areas, self.cell_mm, self.least_mm2, self.spacing_mm, MOST_SPACING_MM)

    def _in_view(self, name: str, view: View) -> list[Hole]:
        """The holes of a view. One that is part glazing, part never seen is divided by what the other side shows."""
        found: list[Hole] = []
        image, silhouette = None, view.silhouette
        if self.surface.mirrored:
            image = views.mirrored(view, self.views[OPPOSITE.get(name, name)])
            silhouette = silhouette | image.silhouette
        for mask in components(wide(silhouette & ~view.filled), self.least_mm2 / 8 / self.cell_mm**2):
            hole = self._hole(name, view, mask, image)
            if hole.verdict == "never seen" or image is None:
                found.append(hole)
                continue
            one_sided = wide(self._beside(name, view, mask, image))
            for part in (one_sided, wide(mask & ~one_sided)):
                pieces = components(part, self.least_mm2 / 8 / self.cell_mm**2)
                found += [self._hole(name, view, piece, image) for piece in pieces]
        return [hole for hole in found if hole.verdict != "natural"]

    def _hole(self, name: str, view: View, mask: np.ndarray, image: Image | None) -> Hole:
        ring = self._ring(view, mask)
        slant = float(np.median(view.slant[ring])) if ring.any() else 1.0
        edge = np.count_nonzero(mask & ~ndimage.binary_erosion(mask))
        beside = None if image is None else self._beside(name, view, mask, image)
        share = None if beside is None else float(np.mean(beside[mask]))
        known = None if image is None or beside is None else np.where(beside, image.depth_mm, np.nan)
        depth = self._depth(view, mask, ring, known)
        centre, low, high = self._bounds(view.grid, mask, depth)
        share_back, looked_at, through = self._returns(view, mask, depth)
        edged = self._edged(name, view, mask)
        glazing = bool(high[2] > GLAZED * self.frame.high_mm[2])
        other = np.zeros_like(mask) if image is None else mask & image.filled
        # points of glazing may fill cells of one side by chance, but hardly densely
        scattered = image is not None and glazing and other.any() and float(np.mean(image.density[other])) < DENSE
        signs = Signs(share, bool(scattered), share_back, looked_at, through, edged, glazing)
        verdict = "never seen" if signs.never_seen else "open"
        if self._open_by_nature(name, centre) and (share is None or share < SEEN_BESIDE):
            verdict = "natural"
        if self._under_vehicle(name, centre):
            verdict = "natural"
        # the cells through which the edge runs count as surface: half of each is hole
        cells = np.array([np.count_nonzero(mask) + edge / 2, edge / 4]) * self.cell_mm**2
        outlines = {name: outline.polygons(mask, view.grid.low_mm, self.cell_mm)}
        return Hole(
            name, verdict, float(cells[0]), float(cells[1]), slant, centre, low, high, signs, outlines
        )  # fmt: skip

    def _beside(self, name: str, view: View, mask: np.ndarray, image: Image) -> np.ndarray:
        """The cells of a hole in which the other side has surface. Where windows are, what lies deep inside is none:
        through an opening in the middle, the inside of one side is the mirror image of nothing on the other."""
        filled = mask & image.filled
        rows = view.grid.middles(mask)[:, 1]
        if name == "top" or not filled.any() or rows.max() <= GLAZED * self.frame.high_mm[2]:
            return filled
        closing = np.full(mask.shape, np.nan)
        closing[mask] = self._depth(view, mask, self._ring(view, mask), None)
        return filled & ~(closing - image.depth_mm > returns.DEPTH_MM)

    def _ring(self, view: View, mask: np.ndarray) -> np.ndarray:
        """The cells round a hole with surface that faces the viewer."""
        return ndimage.binary_dilation(mask, iterations=3) & view.filled & (view.slant > views.FACING)

    def _listed(self, number: int, hole: Hole) -> Area:
        centre, low, high = (self._in_frame(corner) for corner in (hole.centre_mm, hole.low_mm, hole.high_mm))
        return Area(
            number=number,
            verdict="never seen" if hole.verdict == "never seen" else "open",
            view=hole.view,
            location=self.frame.location(hole.centre_mm),
            area_mm2=hole.area_mm2,
            most_mm2=hole.most_mm2,
            centre_mm=centre,
            low_mm=np.minimum(low, high),
            high_mm=np.maximum(low, high),
            signs=hole.signs,
            outlines_mm=hole.outlines_mm,
        )

    def _in_frame(self, corner: np.ndarray) -> np.ndarray:
        axes = self.surface.axes
        return corner * np.array([-axes.forward, -axes.left, 1.0])

    def _depth(self, view: View, mask: np.ndarray, ring: np.ndarray, beside: np.ndarray | None) -> np.ndarray:
        """How far towards the viewer the surface would lie that closes a hole, (k,) mm for its cells: where it lies on
        the other side, ``beside``, else the smoothest continuation of that and of what borders on it (thin plate)."""
        values = np.where(ring, view.depth_mm, np.nan)
        if beside is not None:
            values = np.where(np.isfinite(beside), beside, values)
        around = np.argwhere(np.isfinite(values))
        around = around[:: max(1, len(around) // BRIM_CELLS)]
        cells = np.argwhere(mask)
        if len(around) < 3 or np.linalg.matrix_rank(around - around.mean(axis=0)) < 2:
            found = np.full(len(cells), np.max(self.surface.points_mm @ view.grid.toward))
        else:
            own = values[around[:, 0], around[:, 1]]
            found = RBFInterpolator(around.astype(float), own, smoothing=1.0)(cells.astype(float))
        exact = values[cells[:, 0], cells[:, 1]]
        return np.where(np.isfinite(exact), exact, found)

    def _bounds(self, grid: Grid, mask: np.ndarray, depth: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Centre and bounds of a hole, (3,) each."""
        middles = grid.middles(mask)
        at = middles[:, :1] * grid.right + middles[:, 1:] * grid.up + depth[:, None] * grid.toward
        return at.mean(axis=0), at.min(axis=0), at.max(axis=0)

    def _open_by_nature(self, name: str, centre: np.ndarray) -> bool:
        """Whether a hole that both sides share lies in a wheel arch, or beside it under the vehicle."""
        return (
            name in ("left", "right")
            and bool(self.surface.radius_mm)
            and (self.frame.in_arch(centre) or bool(centre[2] < self.surface.radius_mm))
        )

    def _under_vehicle(self, name: str, centre: np.ndarray) -> bool:
        """Whether a place lies so low at an end that tyres and the underside show there, whatever the other side has:
        bumpers end above half a wheel's radius (common practice, no source)."""
        return name in ("front", "rear") and bool(centre[2] < self.surface.radius_mm / 2)

    def _returns(self, view: View, mask: np.ndarray, depth: np.ndarray) -> tuple[float, bool, bool]:
        """Points in a hole against those that surface would have; whether they come from all over it; and whether
        surface deep inside shows through it."""
        share, looked_at = returns.returned(view.grid, mask, depth, self.every, self.density)
        inner = returns.inner(mask)
        level = np.full(mask.shape, np.nan)
        level[mask] = depth
        behind = inner & np.isfinite(view.depth_mm) & (level - view.depth_mm > returns.DEPTH_MM)
        through = np.count_nonzero(behind) >= SHOWS_THROUGH * np.count_nonzero(inner)
        return share, looked_at, bool(through)

    def _edged(self, name: str, view: View, mask: np.ndarray) -> float | None:
        grid = view.grid
        margin = int(np.ceil(edges.FAR_MM / self.cell_mm)) + 2
        near = ndimage.binary_dilation(mask, iterations=margin)
        column, row = grid.cells(self.surface.points_mm)
        mine = near[column, row] & (self.slant[name] > views.FACING)
        points = self.surface.points_mm[mine]
        return edges.edged(mask, grid.low_mm, self.cell_mm, grid.plane(points), points @ grid.toward)


def components(mask: np.ndarray, least: float) -> Iterator[np.ndarray]:
    """The connected parts of at least so many cells."""
    label, count = ndimage.label(mask)
    for number in np.flatnonzero(np.bincount(label.ravel(), minlength=count + 1)[1:] >= least) + 1:
        yield label == number


def wide(mask: np.ndarray) -> np.ndarray:
    """Without strips of one or two cells, which are the scatter of an edge."""
    return ndimage.binary_opening(mask, np.ones((3, 3)))
