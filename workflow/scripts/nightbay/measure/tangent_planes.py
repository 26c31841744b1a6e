"""How far a surface reaches in a direction: the plane that touches it, unmoved by a stray vertex."""

from dataclasses import dataclass

import numba
import numpy as np

from nightbay.core import robust

LEAST_VERTICES = 16  # bear a plane: a spike of one vertex has long faces, and so much area of its own
PATCH = 2.5  # edge of the patch against that of a square with the support's area
# Thickness of the layer of a crown below the support's level, and most scatter in it, in standard deviations of the
# noise. One that few points bear is noisier than it says: dark trim by up to three times.
LAYER, SCATTER = 8.0, 4.0
LEAST_CROWN = 36  # vertices in it: six for each coefficient of a second-order surface
WINDOW_MM = 2.0  # depth below the furthest vertex that is looked at first; doubled until enough surface lies there
WIDER = (1.0, 2.0, 4.0, 8.0)  # widths of patches that are tried: 280 mm for a support of 200 mm2
DEPTH_MM = 30.0  # of a patch below its level that is looked at


@dataclass(frozen=True)
class Touch:
    """The plane that touches a surface: ``reach_mm`` along the direction; ``point_mm`` (3,) where it touches.

    The patch is the one where the support's area reaches furthest. In it, a second-order surface through what lies near
    that level gives the plane: noise averages out, lumps don't bear. Where too few vertices lie there (a rod, a sharp
    corner), the levels that the support and twice the support reach are extrapolated to no area: on anything round, and
    on a ridge, the area grows in proportion to the depth. ``half_width_mm``: how far the plane lies from the support's
    level, for how far it may err. ``rows``: vertices that bear the plane.
    """

    reach_mm: float
    point_mm: np.ndarray
    half_width_mm: float
    rows: np.ndarray


def capped(areas, support_mm2):
    """Areas, (n,), of vertices, none larger than its share of the support when as few as may bear it."""
    return np.minimum(areas, support_mm2 / LEAST_VERTICES)


def supported(height, area, cell, support_mm2):
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


def support_of(areas, least_mm2):
    """The support for a surface, mm2: the least one, but never less than its coarseness allows."""
    used = areas[areas > 0.0]
    if not len(used):
        return float(least_mm2)
    return max(float(least_mm2), float(LEAST_VERTICES * np.median(used, overwrite_input=True)))


def touch(vertices_mm, areas, direction, support_mm2, noise_mm):
    """The plane at right angles to ``direction``, (3,) unit, that touches the surface; None without enough surface.

    ``vertices_mm`` (n, 3) with their ``areas`` (n,) mm2 and ``noise_mm`` (n,); the support, see :func:`support_of`, has
    to lie in one patch, a square across the direction of :data:`PATCH` times its size. Where the surface is thin, as on
    dark trim, so small a patch may miss its end: a wider one that reaches further by more than the narrow one says that
    it may err counts instead, and what it reaches further is how far that may err.
    """
    used = areas > 0.0
    if not used.any():
        return None
    height = vertices_mm @ np.asarray(direction, vertices_mm.dtype)
    least = float(height.min(where=used, initial=np.inf))
    np.putmask(height, ~used, -np.inf)
    del used
    width_mm, best = PATCH * np.sqrt(support_mm2), None
    for times in WIDER:
        patch = _patch(vertices_mm, height, least, areas, direction, support_mm2, times * width_mm)
        if patch is None:
            continue
        near, across, along, level = patch
        reach, bearing = _crown(along, across, level, noise_mm[near])
        if reach is None:
            if best is not None:
                continue
            reach, bearing = _end(along, capped(areas[near], support_mm2), level, support_mm2)
        half_width = abs(reach - level)
        if best is not None:
            if reach - best.reach_mm <= best.half_width_mm:
                continue
            half_width = max(half_width, reach - best.reach_mm)
        best = Touch(reach, vertices_mm[near[bearing]].mean(axis=0, dtype=np.float64), half_width, near[bearing])
    return best


def _patch(vertices_mm, height, least, areas, direction, support_mm2, patch_mm):
    """The patch, ``patch_mm`` wide, where the support reaches furthest: rows of its vertices down to :data:`DEPTH_MM`
    below that level, their places across the direction, (n, 2), and along it, (n,), and the level; None where no patch
    holds the support. ``height`` (n,): along the direction, ``least`` or more, -inf where a vertex has no area."""
    top = float(height.max())
    window = WINDOW_MM
    while True:
        near = np.flatnonzero(height >= top - window)
        points = vertices_mm[near].astype(np.float64)
        found = _highest_patch(
            points @ direction, _across(points, direction) / patch_mm, capped(areas[near], support_mm2), support_mm2
        )
        if found is not None:
            break
        if window > top - least:
            return None
        window *= 2.0
    level, corner = found
    near = _inside(vertices_mm, height, level - DEPTH_MM, *axes_across(direction), corner * patch_mm, patch_mm)
    points = vertices_mm[near].astype(np.float64)
    return near, _across(points, direction), points @ direction, level


@numba.njit(cache=True)
def _inside(vertices, height, least, first, second, corner, wide):
    """Rows of the vertices as high as ``least`` in a square across, with its lower ``corner``, (2,), and its width."""
    rows = [np.int64(0) for _ in range(0)]
    for row in range(len(height)):
        if height[row] >= least:
            x, y, z = np.float64(vertices[row, 0]), np.float64(vertices[row, 1]), np.float64(vertices[row, 2])
            u = x * first[0] + y * first[1] + z * first[2] - corner[0]
            v = x * second[0] + y * second[1] + z * second[2] - corner[1]
            if 0.0 <= u <= wide and 0.0 <= v <= wide:
                rows.append(row)
    return np.array(rows, np.int64)


def axes_across(direction):
    """Two unit vectors, (3,) each, at right angles to ``direction``, (3,) unit, and to each other."""
    first = np.cross(direction, np.eye(3)[int(np.argmin(np.abs(direction)))])
    first /= np.linalg.norm(first)
    return first, np.cross(direction, first)


def _across(points, direction):
    """Two coordinates, (n, 2), of points at right angles to ``direction``."""
    first, second = axes_across(direction)
    return np.column_stack([points @ first, points @ second])


def _highest_patch(height, plan, areas, support_mm2):
    """The level and the lower corner, (2,), of the patch that the support reaches furthest in, or None.

    A patch is one unit of ``plan`` wide.
    """
    best, order = None, np.argsort(-height, kind="stable")  # once; what is in order already is sorted in no time
    height, plan, areas = height[order], plan[order], areas[order]
    # four grids, half a patch apart, so that no feature is cut by all of them
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


def _crown(height, plan, level, noise_mm):
    """Top of a robust second-order surface through a patch's outermost layer, and the rows that bear it; None, None
    where the layer has too few vertices or is no such surface. It is as thick as noise makes a flat one.
    """
    noise = float(np.median(noise_mm))
    layer = np.flatnonzero(height > level - LAYER * noise)
    if len(layer) < LEAST_CROWN:
        return None, None
    off = plan[layer] - plan[layer].mean(axis=0)
    u, v = (off / max(np.abs(off).max(), 1e-9)).T
    rows = np.column_stack([np.ones(len(u)), u, v, u * u, u * v, v * v])
    target = height[layer] - level
    weights = np.ones(len(layer))
    for _ in range(10):
        root = np.sqrt(weights)[:, None]
        fitted = rows @ np.linalg.lstsq(rows * root, target * root[:, 0], rcond=1e-6)[0]
        misfit = np.abs(target - fitted)
        sd = 1.4826 * float(np.median(misfit))  # of a normal distribution, from the median absolute deviation
        weights = robust.tukey(misfit, max(4.685 * sd, 1e-3))  # 95 % efficient
    bearing = weights > 0.0
    if sd > SCATTER * noise or np.count_nonzero(bearing) < LEAST_CROWN / 2:
        return None, None
    return min(level + float(fitted[bearing].max()), float(height.max())), layer[bearing]


def _end(height, areas, level, support_mm2):
    """The end of a patch, extrapolated from two levels, and the rows that bear it."""
    lower = supported(height, areas, np.zeros(len(height), np.int64), 2.0 * support_mm2)[1][0]
    # no further than the patch itself reaches: where it hangs over an edge, the lower level lies far down
    return float(min(level + (level - lower), height.max())), np.flatnonzero(height >= level)
