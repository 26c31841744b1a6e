"""Finds places of a vehicle's outside that were never seen, and tells them from places that are open by nature."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage
from scipy.interpolate import RBFInterpolator
from scipy.spatial import cKDTree

from nightbay.core.axes import Axes
from nightbay.core.text_format import listing
from nightbay.coverage import edges, outline, places, views
from nightbay.coverage.places import Frame
from nightbay.coverage.result import Area, Coverage
from nightbay.coverage.views import Grid, View

LEAST_MM2 = 50_000.0  # a palm's breadth squared and more: 0.05 m2
# A cell is wide enough for six points of plain surface, so that one in 400 is empty by chance, and a surface of which a
# third comes back (dark trim) still shows.
CELL_MM, A_CELL, WIDEST_MM = 20.0, 6.0, 60.0
OPPOSITE = {"left": "right", "right": "left"}
SEEN_BESIDE = 0.5  # share of a place with surface on the other side from which it should have surface too
EDGED = 0.5  # share of the edge with a step from which a place is framed
# Glass and chrome return a few per cent of their points, stray ones included; places that no view reached return none.
# Counted where no surface is near, over squares of this size; a place was looked at where most of them hold points.
PATCH_MM, LOOKED_AT, DEPTH_MM = 75.0, 0.5, 150.0
SHOWS_THROUGH = 0.25  # share of a hole behind which surface lies deep inside
ASIDE_MM = 50.0  # how far beside another view's area a place may lie that is the same
BRIM_CELLS = 300  # of the surface round a hole that its continuation is computed from
BESIDE_CELLS = 2  # cells of a hole's margin, which points of its edge fill


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
    seen, unless points come back from all over it. Where both sides are open, a place was never seen if nothing comes
    back from it, no step or flange follows its edge, and nothing shows through it; else it is open, and the evidence
    says why. Wheel arches and what lies below the axles between the wheels are open by nature.
    """
    design = _in_design_grid(surface)
    spacing = _spacing(design.points_mm)
    cell_mm = max(CELL_MM, float(np.sqrt(A_CELL)) * spacing)
    if cell_mm > WIDEST_MM:
        reason = (
            f"points lie {spacing:.0f} mm apart, and {WIDEST_MM / np.sqrt(A_CELL):.0f} mm are needed to see an area of "
            f"{least_mm2 / 1e6:.2f} m2 missing"
        )
        return Coverage([], cell_mm, least_mm2, reason)
    return _Search(design, cell_mm, spacing, least_mm2).run()


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


def _spacing(points_mm: np.ndarray) -> float:
    """Distance of points by their density, mm, which three quarters of them do not exceed."""
    some = points_mm[:: max(1, len(points_mm) // 20_000)]
    fourth = cKDTree(points_mm).query(some, 5)[0][:, 4]
    return float(np.quantile(fourth, 0.75) * np.sqrt(np.pi / 4))


class _Search:
    """The search over all views; everything in the design grid."""

    def __init__(self, surface: Surface, cell_mm: float, spacing: float, least_mm2: float) -> None:
        self.surface, self.cell_mm, self.least_mm2 = surface, cell_mm, least_mm2
        # as many points as a cell needs: a denser cloud must not make glass look like surface
        step = max(1, round((cell_mm / spacing) ** 2 / A_CELL))
        points, normals = surface.points_mm[::step], surface.normals[::step]
        self.views = {
            name: views.view(views.grid(name, surface.points_mm, cell_mm), points, normals) for name in views.VIEWS
        }
        self.density = len(points) * step / sum(np.count_nonzero(view.filled) for view in self.views.values())
        self.every = np.concatenate([surface.points_mm, surface.others_mm])
        self.frame = Frame(
            surface.points_mm.min(axis=0), surface.points_mm.max(axis=0), surface.axles_x_mm, surface.radius_mm
        )
        self.slant = {name: surface.normals @ view.grid.toward for name, view in self.views.items()}

    def run(self) -> Coverage:
        found = [area for name, view in self.views.items() for area in self._in_view(name, view)]
        found = _once(found)
        found.sort(key=lambda area: (area.verdict != "never seen", -area.area_mm2))
        numbered = [replace(area, number=number) for number, area in enumerate(found, 1)]
        return Coverage(numbered, self.cell_mm, self.least_mm2)

    def _in_view(self, name: str, view: View) -> list[Area]:
        hole = view.silhouette & ~view.filled
        if not self.surface.mirrored:
            return self._areas(name, view, hole, None)
        other = views.mirrored(view, self.views[OPPOSITE.get(name, name)])
        one_sided = _wide(hole & other)
        areas = self._areas(name, view, one_sided, other)
        return areas + self._areas(name, view, _wide(hole & ~one_sided), other)

    def _areas(self, name: str, view: View, holes: np.ndarray, other: np.ndarray | None) -> list[Area]:
        label, count = ndimage.label(holes)
        areas = []
        for number, box in enumerate(ndimage.find_objects(label), 1):
            if np.count_nonzero(label[box] == number) * self.cell_mm**2 < self.least_mm2 / 4:
                continue
            area = self._area(name, view, label == number, other)
            if area is not None:
                areas.append(area)
        return areas

    def _area(self, name: str, view: View, mask: np.ndarray, other: np.ndarray | None) -> Area | None:
        ring = ndimage.binary_dilation(mask, iterations=3) & view.filled & (view.slant > views.FACING)
        slant = float(np.nanmedian(view.slant[ring])) if ring.any() and np.isfinite(view.slant[ring]).any() else 1.0
        area_mm2 = np.count_nonzero(mask) * self.cell_mm**2 / slant
        edge = mask & ~ndimage.binary_erosion(mask)
        most_mm2 = area_mm2 + np.count_nonzero(edge) * self.cell_mm**2 / 2 / slant
        if most_mm2 < self.least_mm2:
            return None
        share = None if other is None else float(np.mean(other[mask]))
        depth = self._depth(view, mask, ring)
        centre, low, high = self._bounds(view.grid, mask, depth)
        one_sided = share is not None and share >= SEEN_BESIDE
        if not one_sided and self._open_by_nature(name, view, mask, centre):
            return None
        returns, looked_at, through = self._returns(view, mask, depth)
        edged = self._edged(name, view, mask)
        verdict, evidence = _judged(one_sided, share, looked_at, through, edged)
        return Area(
            0,
            verdict,  # type: ignore[arg-type]
            name,
            places.name(self.frame, name, centre),
            float(area_mm2),
            float(most_mm2),
            *(self._in_frame(corner) for corner in (centre, low, high)),
            evidence,
            share,
            returns,
            edged,
            outline.polygons(mask, view.grid.low_mm, self.cell_mm),
        )

    def _in_frame(self, corner: np.ndarray) -> np.ndarray:
        axes = self.surface.axes
        return corner * np.array([-axes.forward, -axes.left, 1.0])

    def _depth(self, view: View, mask: np.ndarray, ring: np.ndarray) -> np.ndarray:
        """How far towards the viewer the surface would lie that closes a hole, (k,) mm for its cells: the smoothest
        continuation of what borders on it (thin plate)."""
        around = np.argwhere(ring)
        around = around[:: max(1, len(around) // BRIM_CELLS)]
        cells = np.argwhere(mask)
        if len(around) < 3 or np.linalg.matrix_rank(around - around.mean(axis=0)) < 2:
            return np.full(len(cells), np.nanmax(view.depth_mm))
        values = view.depth_mm[around[:, 0], around[:, 1]]
        return RBFInterpolator(around.astype(float), values, smoothing=1.0)(cells.astype(float))

    def _bounds(self, grid: Grid, mask: np.ndarray, depth: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Centre and bounds of a hole, (3,) each."""
        middles = grid.middles(mask)
        at = middles[:, :1] * grid.right + middles[:, 1:] * grid.up + depth[:, None] * grid.toward
        return at.mean(axis=0), at.min(axis=0), at.max(axis=0)

    def _open_by_nature(self, name: str, view: View, mask: np.ndarray, centre: np.ndarray) -> bool:
        """Whether a hole that both sides share lies in a wheel arch, or under the vehicle."""
        radius = self.surface.radius_mm
        if not radius or name == "top":
            return False
        if name in ("left", "right") and self.frame.arch(centre) is not None:
            return True
        return bool(centre[2] < radius)

    def _returns(self, view: View, mask: np.ndarray, depth: np.ndarray) -> tuple[float, bool, bool]:
        """Points in a hole against those that surface would have; whether they come from all over it; and whether
        surface deep inside shows through it."""
        grid, inner = view.grid, ndimage.binary_erosion(mask, iterations=BESIDE_CELLS)
        if not inner.any():
            inner = mask
        column, row = grid.cells(self.every)
        inside = inner[column, row]
        column, row = column[inside], row[inside]
        level = np.full(mask.shape, np.nan)
        level[mask] = depth
        near = np.abs(self.every[inside] @ grid.toward - level[column, row]) < DEPTH_MM
        squares = max(1, round(PATCH_MM / self.cell_mm))
        cells = np.column_stack([column, row])[near]
        wanted = {tuple(cell) for cell in np.argwhere(inner) // squares}
        held = {tuple(cell) for cell in cells // squares}
        returns = len(cells) / max(1.0, np.count_nonzero(inner) * self.density)
        behind = inner & np.isfinite(view.depth_mm) & (level - view.depth_mm > DEPTH_MM)
        through = np.count_nonzero(behind) >= SHOWS_THROUGH * np.count_nonzero(inner)
        return float(returns), len(held & wanted) >= LOOKED_AT * len(wanted), bool(through)

    def _edged(self, name: str, view: View, mask: np.ndarray) -> float | None:
        grid = view.grid
        margin = int(np.ceil(edges.FAR_MM / self.cell_mm)) + 2
        near = ndimage.binary_dilation(mask, iterations=margin)
        column, row = grid.cells(self.surface.points_mm)
        mine = near[column, row] & (self.slant[name] > views.FACING)
        points = self.surface.points_mm[mine]
        return edges.edged(mask, grid.low_mm, self.cell_mm, grid.plane(points), points @ grid.toward)


def _judged(
    one_sided: bool, share: float | None, looked_at: bool, through: bool, edged: float | None
) -> tuple[str, str]:
    """The verdict on a hole and the evidence in words."""
    framed = edged is not None and edged >= EDGED
    signs = []
    if looked_at:
        signs.append("scattered points come back from all over it, as from glass, chrome or black trim")
    if framed:
        signs.append(f"a step or flange follows {edged:.0%} of its edge")
    if through:
        signs.append("surface shows through it")
    if one_sided:
        seen = f"the other side has surface over {share:.0%} of it"
        if looked_at:
            return "open", f"{seen}, but {listing(signs)}: check that this is glazing"
        return "never seen", f"{seen}, this side has none"
    if signs:
        both = "both sides are open here" if share is not None else "it is open"
        return "open", f"{both}, and {listing(signs)}: check that this is glazing or another opening"
    if edged is None:
        return "never seen", "no surface borders on it, and no point comes back from it"
    return "never seen", "surface ends at its edge without a step or flange, and no point comes back from it"


def _wide(mask: np.ndarray) -> np.ndarray:
    """Without strips of one or two cells, which are the scatter of an edge."""
    return ndimage.binary_opening(mask, np.ones((3, 3)))


def _once(areas: list[Area]) -> list[Area]:
    """Each place once: an area whose centre lies within a larger one of another view and the same verdict is left
    out."""
    kept: list[Area] = []
    for area in sorted(areas, key=lambda area: -area.area_mm2):
        if not any(
            other.view != area.view
            and other.verdict == area.verdict
            and np.all((area.centre_mm > other.low_mm - ASIDE_MM) & (area.centre_mm < other.high_mm + ASIDE_MM))
            for other in kept
        ):
            kept.append(area)
    return kept
