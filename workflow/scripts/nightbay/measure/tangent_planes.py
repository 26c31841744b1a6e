"""How far a surface reaches in a direction: the plane that touches it, which single outlying vertices do not move."""

from dataclasses import dataclass
from typing import NamedTuple

import numba
import numpy as np

from nightbay.core import plane_fit, robust

LEAST_VERTICES = 16  # define a plane: a spike of one vertex has long faces, and with them a large area of its own
PATCH = 2.5  # edge of the patch over that of a square with the support's area
# Thickness of the crown's layer below the support's level, and greatest scatter in it, in standard deviations of the
# noise. A surface from few points, such as dark trim, is up to three times noisier than its spread shows.
LAYER, SCATTER = 8.0, 4.0
LEAST_CROWN = 36  # vertices in it: six for each coefficient of a second-order surface
WINDOW_MM = 2.0  # depth below the furthest vertex that is searched first; doubled until enough surface lies there
WIDER = (1.0, 2.0, 4.0, 8.0)  # widths of patches that are tried: 280 mm for a support of 200 mm2
DEPTH_MM = 30.0  # depth of a patch below its level that is used
ITERATIONS = 10  # of the reweighted fits: common practice, no source
SINGULAR = 1e-6  # share of the largest singular value below which one is left out of a fit
LEAST_LIMIT_MM = 1e-3  # of the biweight: a layer without noise, as of a computed model, leaves residuals of rounding


@dataclass(frozen=True)
class Touch:
    """The plane that touches a surface: ``reach_mm`` along the direction; ``point_mm`` (3,) where it touches.

    The patch is the one where the support's area reaches furthest. In it, a second-order surface through what lies near
    that level gives the plane: noise averages out, and outlying lumps have no weight. Where too few vertices lie there
    (a rod, a sharp corner), the levels that the support and twice the support reach are extrapolated to no area: on
    anything round, and on a ridge, the area grows in proportion to the depth. ``half_width_mm``: distance of the plane
    from the support's level, taken as the limit of its error. ``rows``: vertices that define the plane.
    """

    reach_mm: float
    point_mm: np.ndarray
    half_width_mm: float
    rows: np.ndarray


class Relief(NamedTuple):
    """A surface seen along a direction: ``vertices_mm`` (n, 3), their ``height`` (n,) along it, -inf where a vertex has
    no area and ``least`` or more elsewhere, and their ``areas`` (n,) mm2."""

    vertices_mm: np.ndarray
    height: np.ndarray
    areas: np.ndarray
    least: float


class Patch(NamedTuple):
    """Vertices of a patch down to :data:`DEPTH_MM` below its ``level``, the height that the support reaches: their
    ``rows`` (n,), and their coordinates ``across`` the direction, (n, 2), and ``along`` it, (n,)."""

    rows: np.ndarray
    across: np.ndarray
    along: np.ndarray
    level: float


class Square(NamedTuple):
    """A square across a direction: its axes, ``first`` and ``second`` (3,), its lower ``corner`` (2,) and ``width``."""

    first: np.ndarray
    second: np.ndarray
    corner: np.ndarray
    width: float


def capped(areas: np.ndarray, support_mm2: float) -> np.ndarray:
    """Areas, (n,) mm2, of vertices, none larger than its share of the support among :data:`LEAST_VERTICES`."""
    return np.minimum(areas, support_mm2 / LEAST_VERTICES)


def supported(
    height: np.ndarray, area: np.ndarray, cell: np.ndarray, support_mm2: float
) -> tuple[np.ndarray, np.ndarray]:
    """Cells, (m,) ascending, and the height in each that the given area of its surface reaches or exceeds, (m,).

    ``height`` (n,), ``area`` (n,), ``cell`` (n,) int of every vertex. A cell with less area in all gets -inf.
    """
    if not len(cell):
        return np.empty(0, np.int64), np.empty(0)
    order = np.argsort(-height, kind="stable")
    number = cell - cell.min()
    number = number.astype(np.min_scalar_type(number.max()))  # cells are few: two bytes are sorted by radix
    order = order[np.argsort(number[order], kind="stable")]
    sorted_cell, total = cell[order], np.cumsum(area[order])
    first = np.flatnonzero(np.diff(sorted_cell, prepend=sorted_cell[0] - 1))
    last = np.append(first[1:], len(order)) - 1
    before = total[first] - area[order][first]
    at = np.searchsorted(total, before + support_mm2 * (1 - 1e-9))
    level = np.where(at <= last, height[order][np.minimum(at, last)], -np.inf)
    return sorted_cell[first], level


def support_of(areas: np.ndarray, least_mm2: float) -> float:
    """The support for a surface, mm2: the least one, but never less than :data:`LEAST_VERTICES` of its vertices have.

    ``areas`` (n,) mm2 of the vertices.
    """
    used = areas[areas > 0.0]
    if not len(used):
        return float(least_mm2)
    return max(float(least_mm2), float(LEAST_VERTICES * np.median(used, overwrite_input=True)))


def touch(
    vertices_mm: np.ndarray, areas: np.ndarray, direction: np.ndarray, support_mm2: float, noise_mm: np.ndarray
) -> Touch | None:
    """The plane at right angles to ``direction``, (3,) unit, that touches the surface; None without enough surface.

    ``vertices_mm`` (n, 3) with their ``areas`` (n,) mm2 and ``noise_mm`` (n,); the support, see :func:`support_of`, has
    to lie in one patch, a square across the direction of :data:`PATCH` times its size. Where the surface has holes, as
    on dark trim, a small patch may miss its end. A wider patch is used where it reaches further than the half width of
    the narrow one; the difference is then the least half width.
    """
    used = areas > 0.0
    if not used.any():
        return None
    height = vertices_mm @ np.asarray(direction, vertices_mm.dtype)
    least = float(height.min(where=used, initial=np.inf))
    np.putmask(height, ~used, -np.inf)
    del used
    surface, best = Relief(vertices_mm, height, areas, least), None
    for times in WIDER:
        patch = _patch(surface, direction, support_mm2, times * PATCH * np.sqrt(support_mm2))
        if patch is None:
            continue
        end = _crown(patch, noise_mm[patch.rows])
        if end is None:
            if best is not None:
                continue
            end = _end(patch, capped(areas[patch.rows], support_mm2), support_mm2)
        reach, defining = end[0], patch.rows[end[1]]
        half_width = abs(reach - patch.level)
        if best is not None:
            if reach - best.reach_mm <= best.half_width_mm:
                continue
            half_width = max(half_width, reach - best.reach_mm)
        best = Touch(reach, vertices_mm[defining].mean(axis=0, dtype=np.float64), half_width, defining)
    return best


def _patch(surface: Relief, direction: np.ndarray, support_mm2: float, patch_mm: float) -> Patch | None:
    """The patch, ``patch_mm`` wide, where the support reaches furthest; None where no patch holds the support."""
    vertices_mm, height = surface.vertices_mm, surface.height
    top, window = float(height.max()), WINDOW_MM
    while True:
        near = np.flatnonzero(height >= top - window)
        points = vertices_mm[near].astype(np.float64)
        found = _highest_patch(
            points @ direction,
            _across(points, direction) / patch_mm,
            capped(surface.areas[near], support_mm2),
            support_mm2,
        )
        if found is not None:
            break
        if window > top - surface.least:
            return None
        window *= 2.0
    level, corner = found
    square = Square(*plane_fit.across(direction), corner * patch_mm, float(patch_mm))
    near = _inside(vertices_mm, height, level - DEPTH_MM, square)
    points = vertices_mm[near].astype(np.float64)
    return Patch(near, _across(points, direction), points @ direction, level)


@numba.njit(cache=True)
def _inside(vertices, height, least, square):
    """Rows of the vertices in a square that are as high as ``least``."""
    first, second, corner, width = square.first, square.second, square.corner, square.width
    rows = [0 for _ in range(0)]
    for row in range(len(height)):
        if height[row] >= least:
            x, y, z = np.float64(vertices[row, 0]), np.float64(vertices[row, 1]), np.float64(vertices[row, 2])
            u = x * first[0] + y * first[1] + z * first[2] - corner[0]
            v = x * second[0] + y * second[1] + z * second[2] - corner[1]
            if 0.0 <= u <= width and 0.0 <= v <= width:
                rows.append(row)
    return np.array(rows, np.int64)


def _across(points, direction):
    """Two coordinates, (n, 2), of points at right angles to ``direction``."""
    first, second = plane_fit.across(direction)
    return np.column_stack([points @ first, points @ second])


def _highest_patch(height, plan, areas, support_mm2):
    """The level and the lower corner, (2,), of the patch that the support reaches furthest in, or None.

    A patch is one unit of ``plan`` wide.
    """
    # sorted once here: later stable sorts of sorted rows are fast
    best, order = None, np.argsort(-height, kind="stable")
    height, plan, areas = height[order], plan[order], areas[order]
    # four grids, half a patch apart, so no feature is divided by all of them
    for shift in ((0.0, 0.0), (0.5, 0.0), (0.0, 0.5), (0.5, 0.5)):
        square = np.floor(plan + shift).astype(np.int64)
        lowest = square.min(axis=0)
        wide = int(square[:, 1].max() - lowest[1]) + 1
        cell = (square[:, 0] - lowest[0]) * wide + square[:, 1] - lowest[1]
        cells, level = supported(height, areas, cell, support_mm2)
        at = int(np.argmax(level))
        if np.isfinite(level[at]) and (best is None or level[at] > best[0]):
            corner = np.array(divmod(int(cells[at]), wide)) + lowest - shift
            best = (float(level[at]), corner)
    return best


def _crown(patch: Patch, noise_mm: np.ndarray) -> tuple[float, np.ndarray] | None:
    """Top of a robust second-order surface through a patch's outermost layer, and the patch's vertices that define it;
    None where the layer has too few vertices or scatters too much. The layer is as thick as the noise of a flat one.

    ``noise_mm`` (n,) of the patch's vertices.
    """
    height, plan, level = patch.along, patch.across, patch.level
    noise = float(np.median(noise_mm))
    layer = np.flatnonzero(height > level - LAYER * noise)
    if len(layer) < LEAST_CROWN:
        return None
    off = plan[layer] - plan[layer].mean(axis=0)
    u, v = (off / max(np.abs(off).max(), 1e-9)).T
    rows = np.column_stack([np.ones(len(u)), u, v, u * u, u * v, v * v])
    target = height[layer] - level
    weights = np.ones(len(layer))
    for _ in range(ITERATIONS):
        root = np.sqrt(weights)[:, None]
        fitted = rows @ np.linalg.lstsq(rows * root, target * root[:, 0], rcond=SINGULAR)[0]
        misfit = np.abs(target - fitted)
        sd = robust.MAD_TO_SD * float(np.median(misfit))
        weights = robust.tukey(misfit, max(robust.TUKEY_SD * sd, LEAST_LIMIT_MM))
    used = weights > 0.0
    if sd > SCATTER * noise or np.count_nonzero(used) < LEAST_CROWN / 2:
        return None
    return min(level + float(fitted[used].max()), float(height.max())), layer[used]


def _end(patch: Patch, areas: np.ndarray, support_mm2: float) -> tuple[float, np.ndarray]:
    """The end of a patch, extrapolated from two levels, and the patch's vertices that define it; ``areas`` (n,)."""
    height, level = patch.along, patch.level
    lower = supported(height, areas, np.zeros(len(height), np.int64), 2.0 * support_mm2)[1][0]
    # no further than the patch itself reaches: where it extends over an edge, the lower level lies far down
    return float(min(level + (level - lower), height.max())), np.flatnonzero(height >= level)
