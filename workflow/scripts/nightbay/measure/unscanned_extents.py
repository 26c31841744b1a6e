"""Whether the end of a surface was measured at all, or may lie in an opening that nothing was scanned in."""

from dataclasses import dataclass
from typing import NamedTuple

import numba
import numpy as np

from nightbay.core import plane_fit
from nightbay.measure import crowns, tangent_planes
from nightbay.measure.tangent_planes import Touch

LAYER_MM = 12.0  # below the touching plane: the end as it is seen along the direction
BEHIND_MM = 300.0  # surface this far behind was seen through the opening, so nothing lies before it
LEAST_CELLS = 24  # four for each coefficient of a second-order surface


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
    cells as wide as the patch of :func:`nightbay.measure.tangent_planes.touch`, whose result is ``touch``. A
    second-order surface through the outermost vertices of the cells is extrapolated across cells that lie between
    others, in a row or in a column, and hold no vertex down to :data:`BEHIND_MM`. Where it exceeds the touching plane
    by more than twice the plane's standard uncertainty and twice the scatter about the surface, the end was not
    scanned. A boundary with nothing beyond it, such as the edge of a panel or the tip of a rod, lies between no others:
    it is an end.
    """
    first, second = plane_fit.across(direction)
    cell_mm = tangent_planes.PATCH * float(np.sqrt(support_mm2))
    frame = np.array([direction, first, second], float)
    bounds = _bounds(vertices_mm, areas, frame, touch.reach_mm - LAYER_MM)
    low = np.floor(bounds[0] / cell_mm).astype(np.int64)
    shape = np.floor(bounds[1] / cell_mm).astype(np.int64) - low + 1
    grid = Grid(frame, low, shape, cell_mm)
    depth = _tops(vertices_mm, areas, touch.reach_mm - BEHIND_MM, grid) - touch.reach_mm
    layer = depth > -LAYER_MM
    unseen = np.isneginf(depth) & (_between(layer) | _between(layer.T).T)
    if np.count_nonzero(layer) < LEAST_CELLS or not unseen.any():
        return None
    u, v = np.indices(depth.shape) / max(depth.shape)
    terms = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1)
    fit, _, scatter = crowns.second_order(terms[layer], depth[layer])
    extrapolated = np.where(unseen, terms @ fit, -np.inf)
    at = np.unravel_index(int(np.argmax(extrapolated)), extrapolated.shape)
    if extrapolated[at] <= 2.0 * (touch.sd_mm + scatter):
        return None
    across_mm = (np.array(at) + low + 0.5) * cell_mm
    return UnscannedExtent(float(extrapolated[at]), np.array([touch.reach_mm, *across_mm]) @ frame)


def _between(seen):
    """Cells, as ``seen``, that have one that was seen before and one behind them in their row."""
    before = np.maximum.accumulate(seen, axis=1)
    return before & np.maximum.accumulate(seen[:, ::-1], axis=1)[:, ::-1]


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
