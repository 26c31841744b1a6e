"""What sticks out of an outline over a short length only: mirrors at the sides, an antenna on the roof."""

from dataclasses import dataclass

import numba
import numpy as np
from scipy import ndimage

from nightbay.measure import tangent_planes

STEP_MM = 20.0  # length of a station of the outline; longer on a coarse surface, so that each has its vertices
DEPTH_MM = 100.0  # below a station's furthest vertex that is looked at; a station that has only strays there is passed
HALVINGS = 6  # of that depth, within which the support is looked for
FOOT_MM = 5.0  # a protrusion begins where the outline rises by more than this: panel gaps and mouldings do not


@dataclass(frozen=True)
class Protrusion:
    """A stretch of the outline that rises from its surroundings.

    ``low_mm``, ``high_mm`` along the outline; ``reach_mm`` beyond the surroundings; ``rows``: vertices beyond them.
    """

    low_mm: float
    high_mm: float
    reach_mm: float
    rows: np.ndarray


def find(along_mm, height_mm, areas, longest_mm, support_mm2):
    """Protrusions not longer than ``longest_mm``, a list of :class:`Protrusion` in order of their place.

    ``along_mm`` (n,) the vertices' place along the outline, ``height_mm`` (n,) how far out they lie, ``areas`` (n,)
    mm2. The outline is the furthest height of each station that has the support; its surroundings are the outline's
    morphological opening: what remains when all that is shorter than ``longest_mm`` has been cut off.
    """
    step_mm = max(STEP_MM, 1.5 * float(np.sqrt(support_mm2)))
    places = along_mm, height_mm, areas, step_mm
    first, count = _stations(*places)
    furthest = _furthest(*places, first, count)
    outer, station = _outermost(*places, first, furthest - _depths(*places, first, furthest, support_mm2))
    stations, level = tangent_planes.supported(
        height_mm[outer].astype(np.float64), tangent_planes.capped(areas[outer], support_mm2), station, support_mm2
    )
    good = np.isfinite(level)
    if np.count_nonzero(good) < 2:
        return []
    grid = np.arange(first, first + count)
    outline = np.interp(grid, stations[good], level[good])
    window = int(longest_mm / step_mm) + 1
    opened = ndimage.grey_opening(outline, window, mode="nearest")
    risen = outline - opened > FOOT_MM
    label, count = ndimage.label(risen)
    found = []
    for one in range(1, count + 1):
        run = np.flatnonzero(label == one)
        # the stations beside hold the foot
        run = np.arange(max(run[0] - 1, 0), min(run[-1] + 2, len(grid)))
        rows, station = _outermost(*places, first, np.where(np.isin(grid, grid[run]), -np.inf, np.inf))
        beyond = height_mm[rows] > np.interp(along_mm[rows] / step_mm - 0.5, grid, opened) + 1e-3
        found.append(
            Protrusion(
                float(grid[run[0]] * step_mm),
                float((grid[run[-1]] + 1) * step_mm),
                float((outline - opened)[run].max()),
                rows[beyond],
            )
        )
    return found


@numba.njit(cache=True)
def _stations(along, height, areas, step):
    """The first station with a vertex that has an area, and how many there are to the last one."""
    first, last = np.int64(2**62), np.int64(-(2**62))
    for vertex in range(len(areas)):
        if areas[vertex] > 0.0:
            station = np.int64(np.floor(along[vertex] / step))
            first, last = min(first, station), max(last, station)
    return first, last - first + 1


@numba.njit(cache=True)
def _furthest(along, height, areas, step, first, count):
    """Height of the furthest vertex of each station, (count,)."""
    furthest = np.full(count, -np.inf)
    for vertex in range(len(areas)):
        if areas[vertex] > 0.0:
            at = np.int64(np.floor(along[vertex] / step)) - first
            furthest[at] = max(furthest[at], height[vertex])
    return furthest


@numba.njit(cache=True)
def _depths(along, height, areas, step, first, furthest, support):
    """Depth of each station below its furthest vertex that holds the support, rounded up by less than twice, (s,);
    ``DEPTH_MM`` where none does."""
    held = np.zeros((len(furthest), HALVINGS + 1))
    for vertex in range(len(areas)):
        if areas[vertex] > 0.0:
            at = np.int64(np.floor(along[vertex] / step)) - first
            share, depth = (furthest[at] - height[vertex]) / DEPTH_MM, HALVINGS
            while depth > 0 and share >= 0.5**depth:
                depth -= 1
            if share < 1.0:
                held[at, depth] += min(areas[vertex], support / tangent_planes.LEAST_VERTICES)
    depths = np.full(len(furthest), DEPTH_MM)
    for at in range(len(furthest)):
        total = 0.0
        for depth in range(HALVINGS, -1, -1):
            total += held[at, depth]
            if total >= support:
                depths[at] = DEPTH_MM * 0.5**depth
                break
    return depths


@numba.njit(cache=True)
def _outermost(along, height, areas, step, first, least):
    """Rows of the vertices with an area that lie further out than ``least`` (s,) of their station; those."""
    rows, stations = [np.int64(0) for _ in range(0)], [np.int64(0) for _ in range(0)]
    for vertex in range(len(areas)):
        if areas[vertex] > 0.0:
            station = np.int64(np.floor(along[vertex] / step))
            if height[vertex] > least[station - first]:
                rows.append(vertex)
                stations.append(station)
    return np.array(rows, np.int64), np.array(stations, np.int64)
