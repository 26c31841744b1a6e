"""How far a surface reaches in a direction: the plane that touches it, unmoved by a stray vertex."""

from dataclasses import dataclass

import numpy as np

LEAST_VERTICES = 16  # bear a plane: a spike of one vertex has long faces, and so much area of its own
PATCH = 2.5  # edge of the patch against that of a square with the support's area
WINDOW_MM = 30.0  # depth below the furthest vertex that is looked at first; doubled until enough surface lies there


@dataclass(frozen=True)
class Touch:
    """The plane that touches a surface: ``reach_mm`` along the direction; ``point_mm`` (3,) where it touches.

    Levels that the support's area of surface in one patch reaches, and twice that area, are extrapolated to no area: on
    anything round, and on a ridge, the area grows in proportion to the depth below the outermost point. A lump smaller
    than the support hardly moves it. ``half_width_mm``: how much was extrapolated, for how far that may err.
    ``rows``: vertices that bear the plane.
    """

    reach_mm: float
    point_mm: np.ndarray
    half_width_mm: float
    rows: np.ndarray


def vertex_areas(surface, faces=None):
    """Area of surface that belongs to each vertex, (n,) float64 mm2: a third of its faces (all, or those chosen)."""
    chosen = surface.faces if faces is None else surface.faces[faces]
    areas = np.zeros(len(surface.vertices_mm))
    for start in range(0, len(chosen), 1_000_000):
        piece = chosen[start : start + 1_000_000]
        a, b, c = (surface.vertices_mm[piece[:, at]].astype(np.float64) for at in range(3))
        third = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 6.0
        for at in range(3):
            areas += np.bincount(piece[:, at], third, len(areas))
    return areas


def capped(areas, support_mm2):
    """Areas, (n,), of vertices, none larger than its share of the support when as few as may bear it."""
    return np.minimum(areas, support_mm2 / LEAST_VERTICES)


def supported(height, area, cell, support_mm2):
    """Cells, (m,) ascending, and the height in each that the given area of its surface reaches or exceeds, (m,).

    ``height`` (n,), ``area`` (n,), ``cell`` (n,) int of every vertex. A cell with less area in all gets -inf.
    """
    if not len(cell):
        return np.empty(0, np.int64), np.empty(0)
    order = np.lexsort((-height, cell))
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
    return max(float(least_mm2), float(LEAST_VERTICES * np.median(used))) if len(used) else float(least_mm2)


def touch(vertices_mm, areas, direction, support_mm2):
    """The plane at right angles to ``direction``, (3,) unit, that touches the surface; None without enough surface.

    ``vertices_mm`` (n, 3) with their ``areas`` (n,) mm2; the support, see :func:`support_of`, has to lie in one patch,
    a square across the direction of :data:`PATCH` times its size.
    """
    patch_mm = PATCH * np.sqrt(support_mm2)
    height = vertices_mm @ np.asarray(direction, vertices_mm.dtype)
    rows = np.flatnonzero(areas > 0.0)
    if not len(rows):
        return None
    top, span = float(height[rows].max()), float(np.ptp(height[rows]))
    window = WINDOW_MM
    while True:
        near = rows[height[rows] >= top - window]
        found = _highest_patch(vertices_mm[near], capped(areas[near], support_mm2), direction, patch_mm, support_mm2)
        if found is not None:
            return Touch(found.reach_mm, found.point_mm, found.half_width_mm, near[found.rows])
        if window > span:
            return None
        window *= 2.0


def _highest_patch(vertices_mm, areas, direction, patch_mm, support_mm2):
    points = vertices_mm.astype(np.float64)
    height = points @ direction
    first = np.cross(direction, np.eye(3)[int(np.argmin(np.abs(direction)))])
    first /= np.linalg.norm(first)
    plan = np.column_stack([points @ first, points @ np.cross(direction, first)]) / patch_mm
    best = None
    # four grids, half a patch apart, so that no feature is cut by all of them
    for shift in ((0.0, 0.0), (0.5, 0.0), (0.0, 0.5), (0.5, 0.5)):
        square = np.floor(plan + shift).astype(np.int64)
        square -= square.min(axis=0)
        cell = square[:, 0] * (square[:, 1].max() + 1) + square[:, 1]
        cells, level = supported(height, areas, cell, support_mm2)
        at = int(np.argmax(level))
        if np.isfinite(level[at]) and (best is None or level[at] > best[0]):
            best = (level[at], np.flatnonzero(cell == cells[at]))
    if best is None:
        return None
    level, mine = best
    lower = supported(height[mine], areas[mine], np.zeros(len(mine), np.int64), 2.0 * support_mm2)[1][0]
    # no further than the patch itself reaches: where it hangs over an edge, the lower level lies far down
    reach = min(level + (level - lower), height[mine].max())
    bearing = mine[height[mine] >= level]
    return Touch(float(reach), points[bearing].mean(axis=0), float(reach - level), bearing)
