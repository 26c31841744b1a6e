"""Protrusions of an outline over a short length only: mirrors at the sides, an antenna on the roof."""

from dataclasses import dataclass
from typing import NamedTuple

import numba
import numpy as np
from scipy import ndimage

from nightbay.measure import tangent_planes

STEP_MM = 20.0  # length of a station of the outline; longer on a coarse surface, so that each has its vertices
STEP_BY_SUPPORT = 1.5  # least length of a station, by the side of a square with the support's area
# Below a station's furthest vertex that is searched; a station with only outliers there is skipped.
DEPTH_MM = 100.0
HALVINGS = 6  # of that depth, within which the support is looked for
ROUNDING_MM = 1e-3  # beyond the surroundings that counts as rounding
FOOT_MM = 5.0  # a protrusion begins where the outline rises by more than this: panel gaps and mouldings do not


@dataclass(frozen=True)
class Stretch:
    """A stretch of the outline that rises from its surroundings.

    ``low_mm``, ``high_mm`` along the outline; ``reach_mm`` beyond the surroundings; ``rows``: vertices beyond them.
    """

    low_mm: float
    high_mm: float
    reach_mm: float
    rows: np.ndarray


class Profile(NamedTuple):
    """Vertices as an outline sees them: ``along`` (n,) mm, their position along it; ``height`` (n,) mm, how far out
    they lie; ``areas`` (n,) mm2; ``step``, the length of a station, mm."""

    along: np.ndarray
    height: np.ndarray
    areas: np.ndarray
    step: float


def find(
    along_mm: np.ndarray, height_mm: np.ndarray, areas: np.ndarray, longest_mm: float, support_mm2: float
) -> list[Stretch]:
    """Protrusions not longer than ``longest_mm``, in their order along the outline.

    ``along_mm`` (n,): position of the vertices along the outline; ``height_mm`` (n,): how far out they lie; ``areas``
    (n,) mm2. The outline is the furthest height of each station that has the support; its surroundings are the
    outline's morphological opening: what remains when all that is shorter than ``longest_mm`` has been cut off.
    """
    step_mm = max(STEP_MM, STEP_BY_SUPPORT * float(np.sqrt(support_mm2)))
    # columns of a matrix or arrays of their own: of one kind, the loops are compiled once
    profile = Profile(np.ascontiguousarray(along_mm), np.ascontiguousarray(height_mm), areas, step_mm)
    first, count = _stations(profile)
    grid = np.arange(first, first + count)
    outline = _outline(profile, grid, support_mm2)
    if outline is None:
        return []
    opened = ndimage.grey_opening(outline, int(longest_mm / step_mm) + 1, mode="nearest")
    label, found = ndimage.label(outline - opened > FOOT_MM)
    return [_stretch(profile, grid, outline, opened, np.flatnonzero(label == number)) for number in range(1, found + 1)]


def _outline(profile: Profile, grid: np.ndarray, support_mm2: float) -> np.ndarray | None:
    """Furthest height of each station of ``grid``, (s,), that has the support, interpolated across the others; None
    with fewer than two."""
    furthest = _furthest(profile, grid[0], len(grid))
    outer, station = _outermost(profile, grid[0], furthest - _depths(profile, grid[0], furthest, support_mm2))
    stations, level = tangent_planes.supported(
        profile.height[outer].astype(np.float64),
        tangent_planes.capped(profile.areas[outer], support_mm2),
        station,
        support_mm2,
    )
    good = np.isfinite(level)
    return np.interp(grid, stations[good], level[good]) if np.count_nonzero(good) >= 2 else None


def _stretch(profile: Profile, grid: np.ndarray, outline: np.ndarray, opened: np.ndarray, risen: np.ndarray) -> Stretch:
    """The protrusion of the stations ``risen``, numbers in ``grid``; those beside them hold its foot."""
    run = np.arange(max(risen[0] - 1, 0), min(risen[-1] + 2, len(grid)))
    rows, _ = _outermost(profile, grid[0], np.where(np.isin(grid, grid[run]), -np.inf, np.inf))
    surroundings = np.interp(profile.along[rows] / profile.step - 0.5, grid, opened)
    return Stretch(
        low_mm=float(grid[run[0]] * profile.step),
        high_mm=float((grid[run[-1]] + 1) * profile.step),
        reach_mm=float((outline - opened)[run].max()),
        rows=rows[profile.height[rows] > surroundings + ROUNDING_MM],
    )


@numba.njit(cache=True)
def _stations(profile):
    """The first station with a vertex that has an area, and how many there are to the last one."""
    first, last = np.int64(2**62), np.int64(-(2**62))
    for vertex in range(len(profile.areas)):
        if profile.areas[vertex] > 0.0:
            station = np.int64(np.floor(profile.along[vertex] / profile.step))
            first, last = min(first, station), max(last, station)
    return first, last - first + 1


@numba.njit(cache=True)
def _furthest(profile, first, count):
    """Height of the furthest vertex of each station, (count,)."""
    furthest = np.full(count, -np.inf)
    for vertex in range(len(profile.areas)):
        if profile.areas[vertex] > 0.0:
            at = np.int64(np.floor(profile.along[vertex] / profile.step)) - first
            furthest[at] = max(furthest[at], profile.height[vertex])
    return furthest


@numba.njit(cache=True)
def _depths(profile, first, furthest, support):
    """Depth of each station below its furthest vertex that holds the support, rounded up by less than twice, (s,);
    ``DEPTH_MM`` where none does."""
    held = np.zeros((len(furthest), HALVINGS + 1))
    for vertex in range(len(profile.areas)):
        if profile.areas[vertex] > 0.0:
            at = np.int64(np.floor(profile.along[vertex] / profile.step)) - first
            share, depth = (furthest[at] - profile.height[vertex]) / DEPTH_MM, HALVINGS
            while depth > 0 and share >= 0.5**depth:
                depth -= 1
            if share < 1.0:
                held[at, depth] += min(profile.areas[vertex], support / tangent_planes.LEAST_VERTICES)
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
def _outermost(profile, first, least):
    """Rows of the vertices with an area that lie further out than ``least`` (s,) of their station, and their
    stations."""
    rows, stations = [0 for _ in range(0)], [0 for _ in range(0)]
    for vertex in range(len(profile.areas)):
        if profile.areas[vertex] > 0.0:
            station = np.int64(np.floor(profile.along[vertex] / profile.step))
            if profile.height[vertex] > least[station - first]:
                rows.append(vertex)
                stations.append(int(station))
    return np.array(rows, np.int64), np.array(stations, np.int64)
