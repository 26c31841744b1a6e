"""Whether the end of a surface was measured at all, or may lie in an opening that nothing was scanned in."""

from dataclasses import dataclass
from typing import NamedTuple

import numba
import numpy as np

from nightbay.core import distributions, plane_fit
from nightbay.measure import crowns
from nightbay.measure.tangent_planes import Touch

LAYER_MM = 12.0  # below the touching plane: the end as it is seen along the direction
BEHIND_MM = 300.0  # surface this far behind was seen through the opening, so nothing lies before it
CELL = 0.75  # edge of a cell over that of a square with the support's area: it holds nine vertices or more
LEAST_CELLS = 8  # of a line through them: four for two ends of a curve with three coefficients
LEVEL = 0.001  # of sound ends that may be called unscanned: this project's choice


class Grid(NamedTuple):
    """Square cells across a direction: ``frame`` (3, 3), the direction and two axes across it; number of the lowest
    cell, ``low`` (2,), how many there are, ``shape`` (2,), and their width ``cell``, mm."""

    frame: np.ndarray
    low: np.ndarray
    shape: np.ndarray
    cell: float


@dataclass(frozen=True)
class UnscannedExtent:
    """An end that was not scanned: ``beyond_mm``, how far it may reach beyond the touching plane, and about where,
    ``point_mm`` (3,)."""

    beyond_mm: float
    point_mm: np.ndarray


def find(
    vertices_mm: np.ndarray, areas: np.ndarray, direction: np.ndarray, touch: Touch, support_mm2: float
) -> UnscannedExtent | None:
    """How far an end may reach beyond the plane that touches it; None where the end was scanned.

    ``vertices_mm`` (n, 3) with their ``areas`` (n,) mm2. Seen along ``direction``, (3,) unit, the end is a grid of
    cells, small beside the patch of :func:`nightbay.measure.tangent_planes.touch`, whose result is ``touch``: an end
    may lie in a hole that the patch spans. Along each row and column, a second-order curve through the outermost
    vertices of the cells is continued across cells that lie between others and hold no vertex down to
    :data:`BEHIND_MM`. Where it exceeds the touching plane by more than twice the plane's standard uncertainty, and what
    the curve may err by chance on top, the end was not scanned. A boundary with nothing beyond it, such as the edge of
    a panel or the tip of a rod, lies between no others: it is an end.
    """
    first, second = plane_fit.across(direction)
    cell_mm = CELL * float(np.sqrt(support_mm2))
    frame = np.array([direction, first, second], float)
    bounds = _bounds(vertices_mm, areas, frame, touch.reach_mm - LAYER_MM)
    low = np.floor(bounds[0] / cell_mm).astype(np.int64)
    shape = np.floor(bounds[1] / cell_mm).astype(np.int64) - low + 1
    grid = Grid(frame, low, shape, cell_mm)
    depth = _tops(vertices_mm, areas, touch.reach_mm - BEHIND_MM, grid) - touch.reach_mm
    layer = depth > -LAYER_MM
    beyond_mm, at = _furthest(depth, layer, 2.0 * touch.sd_mm)
    if at is None:
        return None
    across_mm = (np.array(at) + low + 0.5) * cell_mm
    return UnscannedExtent(beyond_mm, np.array([touch.reach_mm, *across_mm]) @ frame)


def _furthest(depth: np.ndarray, layer: np.ndarray, least_mm: float) -> tuple[float, tuple[int, int] | None]:
    """How far curves reach in the holes of a grid, and in which cell, None where none reaches beyond ``least_mm``.

    ``depth`` (k, l) of the cells' outermost vertices, -inf for a hole; ``layer``, bool, those that belong to the end.
    """
    lines = [(k, along) for along in (0, 1) for k in range(depth.shape[along])]
    reach_mm, where = 0.0, None
    for k, along in lines:
        heights, member = (np.moveaxis(values, along, 0)[k] for values in (depth, layer))
        hole = np.flatnonzero(np.isneginf(heights) & _between(member))
        if not len(hole) or np.count_nonzero(member) < LEAST_CELLS:
            continue
        curve, sd = _continued(np.flatnonzero(member), heights[member], hole)
        certain = curve - distributions.student_above(LEVEL / len(lines), int(np.count_nonzero(member)) - 3) * sd
        best = int(np.argmax(np.where(certain > least_mm, curve, -np.inf)))
        if certain[best] > least_mm and curve[best] > reach_mm:
            reach_mm, cell = float(curve[best]), int(hole[best])
            where = (k, cell) if along == 0 else (cell, k)
    return reach_mm, where


def _continued(places: np.ndarray, heights: np.ndarray, wanted: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A robust second-order curve through ``heights`` at ``places``, (n,): its heights at ``wanted`` places, (m,), and
    their standard deviations, (m,)."""
    scale = float(places.max())
    terms, there = (np.column_stack([np.ones(len(at)), at / scale, (at / scale) ** 2]) for at in (places, wanted))
    fit, weights, _ = crowns.second_order(terms, heights)
    left = float(weights @ (heights - terms @ fit) ** 2) / max(float(weights.sum()) - 3.0, 1.0)
    normal = np.linalg.pinv((terms * weights[:, None]).T @ terms)
    return there @ fit, np.sqrt(left * np.einsum("ij,jk,ik->i", there, normal, there))


def _between(seen):
    """Cells of a line, (n,) bool, that have one that was ``seen`` before and one behind them."""
    return np.maximum.accumulate(seen) & np.maximum.accumulate(seen[::-1])[::-1]


@numba.njit(cache=True)
def _along(vertices, row, axis):
    return vertices[row, 0] * axis[0] + vertices[row, 1] * axis[1] + vertices[row, 2] * axis[2]


@numba.njit(cache=True)
def _bounds(vertices, areas, frame, least):
    """Low and high coordinates across, (2, 2), of the vertices with an area that lie as far out as ``least``."""
    found = np.array([[np.inf, np.inf], [-np.inf, -np.inf]])
    for row in range(len(areas)):
        if areas[row] > 0.0 and _along(vertices, row, frame[0]) >= least:
            for k in range(2):
                across = _along(vertices, row, frame[k + 1])
                found[0, k], found[1, k] = min(found[0, k], across), max(found[1, k], across)
    return found


@numba.njit(cache=True)
def _tops(vertices, areas, least, grid):
    """Height of the outermost vertex of each cell, -inf where none lies as far out as ``least``."""
    frame, low, shape, cell = grid.frame, grid.low, grid.shape, grid.cell
    tops = np.full((shape[0], shape[1]), -np.inf)
    for row in range(len(areas)):
        height = _along(vertices, row, frame[0])
        if areas[row] > 0.0 and height >= least:
            i = int(np.floor(_along(vertices, row, frame[1]) / cell)) - low[0]
            j = int(np.floor(_along(vertices, row, frame[2]) / cell)) - low[1]
            if 0 <= i < shape[0] and 0 <= j < shape[1]:
                tops[i, j] = max(tops[i, j], height)
    return tops
