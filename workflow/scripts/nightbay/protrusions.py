"""What sticks out of an outline over a short length only: mirrors at the sides, an antenna on the roof."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from nightbay import extremes
from nightbay.surface import spans

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
    first, furthest = _furthest(along_mm, height_mm, areas, step_mm)
    near = [np.empty(0, np.int64)]
    for part in spans(len(areas)):
        rows = part.start + np.flatnonzero(areas[part] > 0.0)
        near.append(rows[height_mm[rows] > furthest[_station(along_mm[rows], step_mm) - first] - DEPTH_MM])
    outer = np.concatenate(near)
    stations, level = extremes.supported(
        height_mm[outer].astype(np.float64),
        extremes.capped(areas[outer], support_mm2),
        _station(along_mm[outer], step_mm),
        support_mm2,
    )
    good = np.isfinite(level)
    if np.count_nonzero(good) < 2:
        return []
    grid = np.arange(first, first + len(furthest))
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
        rows = []
        for part in spans(len(areas)):
            station = _station(along_mm[part], step_mm)
            inside = np.flatnonzero((station >= grid[run[0]]) & (station <= grid[run[-1]]) & (areas[part] > 0.0))
            inside += part.start
            beyond = height_mm[inside] > np.interp(along_mm[inside] / step_mm - 0.5, grid, opened) + 1e-3
            rows.append(inside[beyond])
        found.append(
            Protrusion(
                float(grid[run[0]] * step_mm),
                float((grid[run[-1]] + 1) * step_mm),
                float((outline - opened)[run].max()),
                np.concatenate(rows),
            )
        )
    return found


def _station(along_mm, step_mm):
    return np.floor(along_mm / step_mm).astype(np.int64)


def _furthest(along_mm, height_mm, areas, step_mm):
    """The first station, and the height of the furthest vertex with an area in each from there on, (s,) float64."""
    found = {}
    for part in spans(len(areas)):
        used = areas[part] > 0.0
        if used.any():
            station, height = _station(along_mm[part][used], step_mm), height_mm[part][used].astype(np.float64)
            start = int(station.min())
            most = np.full(int(station.max()) - start + 1, -np.inf)
            np.maximum.at(most, station - start, height)
            found[part.start] = start, most
    first = min(start for start, _ in found.values())
    furthest = np.full(max(start + len(most) for start, most in found.values()) - first, -np.inf)
    for start, most in found.values():
        part = furthest[start - first : start - first + len(most)]
        np.maximum(part, most, out=part)
    return first, furthest
