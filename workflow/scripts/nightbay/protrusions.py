"""What sticks out of an outline over a short length only: mirrors at the sides, an antenna on the roof."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from nightbay import extremes

STEP_MM = 20.0  # length of a station of the outline; longer on a coarse surface, so that each has its vertices
DEPTH_MM = 100.0  # below a station's furthest vertex that is looked at; a station that has only strays there is passed
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
    rows = np.flatnonzero(areas > 0.0)
    station = np.floor(along_mm[rows] / step_mm).astype(np.int64)
    first = station.min()
    height = height_mm[rows].astype(np.float64)
    furthest = np.full(station.max() - first + 1, -np.inf)
    np.maximum.at(furthest, station - first, height)
    outer = height > furthest[station - first] - DEPTH_MM
    stations, level = extremes.supported(
        height[outer], extremes.capped(areas[rows[outer]], support_mm2), station[outer], support_mm2
    )
    good = np.isfinite(level)
    if np.count_nonzero(good) < 2:
        return []
    grid = np.arange(first, station.max() + 1)
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
        inside = (station >= grid[run[0]]) & (station <= grid[run[-1]])
        beyond = height_mm[rows] > np.interp(along_mm[rows] / step_mm - 0.5, grid, opened) + 1e-3
        found.append(
            Protrusion(
                float(grid[run[0]] * step_mm),
                float((grid[run[-1]] + 1) * step_mm),
                float((outline - opened)[run].max()),
                rows[inside & beyond],
            )
        )
    return found
