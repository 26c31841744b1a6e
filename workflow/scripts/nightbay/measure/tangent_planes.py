"""How far a surface reaches in a direction: the plane that touches it, which single outlying vertices do not move."""

from dataclasses import dataclass
from typing import NamedTuple

import numba
import numpy as np

from nightbay.core import plane_fit
from nightbay.measure import crowns

LEAST_VERTICES = 16  # define a plane: a spike of one vertex has long faces, and with them a large area of its own
PATCH = 2.5  # edge of the patch over that of a square with the support's area
WINDOW_MM = 2.0  # depth below the furthest vertex that is searched first; doubled until enough surface lies there
WIDER = (1.0, 2.0, 4.0, 8.0)  # widths of patches that are tried: 280 mm for a support of 200 mm2
DEPTH_MM = 30.0  # depth of a patch below its level that is used


@dataclass(frozen=True)
class Touch:
    """The plane that touches a surface: ``reach_mm`` along the direction; ``point_mm`` (3,) where it touches.

    The patch is the one where the support's area reaches furthest. In it, a second-order surface through what lies near
    that level gives the plane (:mod:`nightbay.measure.crowns`): noise averages out, and outlying lumps have no weight.
    Where too few vertices lie there (a rod, a sharp corner), the levels that the support and twice the support reach
    are extrapolated to no area: on anything round, and on a ridge, the area grows in proportion to the depth.

    ``half_width_mm``: limit of the error from the shape of the end: of a crown, how far its top moves with a thicker
    layer; else the distance of the plane from the support's level. ``resolution_mm``: limit of the error from the
    spacing of the vertices, 0 without a crown, whose shape has it. ``fit_sd_mm``: standard uncertainty of a crown from
    the scatter about it, None without a crown. ``level_mm`` that the support reaches; ``rows``: vertices that define
    the plane.
    """

    reach_mm: float
    point_mm: np.ndarray
    half_width_mm: float
    resolution_mm: float
    fit_sd_mm: float | None
    level_mm: float
    rows: np.ndarray

    @property
    def sd_mm(self) -> float:
        """Standard uncertainty of the plane from scatter, shape and spacing."""
        return float(np.hypot(self.scatter_sd_mm, self.resolution_mm / np.sqrt(3.0)))

    @property
    def scatter_sd_mm(self) -> float:
        """The same from scatter and shape alone: what a wider patch of the same surface may differ by."""
        return float(np.hypot(self.fit_sd_mm or 0.0, self.half_width_mm / np.sqrt(3.0)))


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
    on dark trim, a small patch may miss its end. A wider patch is used where its crown reaches further than the narrow
    one by more than twice that one's standard uncertainty from scatter and shape.
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
        noise = float(np.median(noise_mm[patch.rows]))
        crown = crowns.find(patch.across, patch.along, areas[patch.rows], patch.level, noise)
        if best is None or (crown is not None and crown.reach_mm - best.reach_mm > 2.0 * best.scatter_sd_mm):
            best = _touch(vertices_mm, patch, crown, capped(areas[patch.rows], support_mm2), support_mm2)
    return best


def _touch(
    vertices_mm: np.ndarray, patch: Patch, crown: crowns.Crown | None, areas: np.ndarray, support_mm2: float
) -> Touch:
    """What touches in a patch by its ``crown``, or without one by the levels of its support; ``areas`` (n,) of it."""
    if crown is None:
        reach, rows = _end(patch, areas, support_mm2)
        shape, resolution, sd = abs(reach - patch.level), 0.0, None
    else:
        reach, rows = crown.reach_mm, crown.rows
        shape, resolution, sd = crown.shape_mm, crown.resolution_mm, crown.sd_mm
    defining = patch.rows[rows]
    return Touch(
        reach, vertices_mm[defining].mean(axis=0, dtype=np.float64), shape, resolution, sd, patch.level, defining
    )


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


def _end(patch: Patch, areas: np.ndarray, support_mm2: float) -> tuple[float, np.ndarray]:
    """The end of a patch, extrapolated from two levels, and the patch's vertices that define it; ``areas`` (n,)."""
    height, level = patch.along, patch.level
    lower = supported(height, areas, np.zeros(len(height), np.int64), 2.0 * support_mm2)[1][0]
    # no further than the patch itself reaches: where it extends over an edge, the lower level lies far down
    return float(min(level + (level - lower), height.max())), np.flatnonzero(height >= level)
