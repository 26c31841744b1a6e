"""Surface of a segment that stands where another segment looked through: it was moved away, or is not of the vehicle.

A scanner stood in front of every point that it recorded, so the space in front of a surface is free up to the part's
own next surface. Only what fills most of several cells counts: edges and stray points contradict by chance.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import permutations

import numpy as np
from scipy.spatial import cKDTree

from nightbay.core import thinning
from nightbay.stance import cells
from nightbay.stance.cells import CELL_MM
from nightbay.stance.panels import Scan

SAMPLE_MM = 30.0  # of free space
# Nearer to a surface its roughness and another's edge can't be told apart; hand-held scanners come no nearer than about
# 0.3 m (common practice, no source).
START_MM, CLEAR_MM = 60.0, 240.0
OCCLUDED_MM, INSIDE_MM = 50.0, 18.0  # from own surface: not free; from a sample: inside
MOST_OF_CELL, FEWEST = 0.6, 4  # share of a cell's seeds that must stand in free space, of so many
LEAST_CELLS = 8  # 0.02 m2


@dataclass(frozen=True)
class LookedThrough:
    """Surface of the segment ``number`` in the free space of the segment ``through``: its ``cells`` (k, 3), level
    frame, ``low_mm``, ``high_mm`` (3,) of them and the mean ``normal`` (3,)."""

    number: int
    through: int
    cells: np.ndarray
    low_mm: np.ndarray
    high_mm: np.ndarray
    normal: np.ndarray

    def holds(self, points_mm: np.ndarray) -> np.ndarray:
        """Which points (n, 3) of the level frame lie in its cells, (n,) bool."""
        return np.isin(cells.key(cells.of(points_mm)), cells.key(self.cells))


def find(scans: Sequence[Scan]) -> list[LookedThrough]:
    """All such surface, each place once: with the segment that looked through most of it. The largest first."""
    free = [_samples(scan) for scan in scans]
    found = [
        each
        for number, through in permutations(range(len(scans)), 2)
        for each in _between(scans, free[through], number, through)
    ]
    listed: list[LookedThrough] = []
    for each in sorted(found, key=lambda each: (-len(each.cells), each.number, each.through)):
        mine = [other.cells for other in listed if other.number == each.number]
        if not mine or not np.isin(cells.key(each.cells), cells.key(np.concatenate(mine))).any():
            listed.append(each)
    return listed


def _samples(scan: Scan) -> cKDTree:
    """A tree of the samples (n, 3) of the space that a segment looked through."""
    rows = thinning.thin(scan.points, SAMPLE_MM)
    points, normals = scan.points[rows], scan.normals[rows]
    open_, layers = np.ones(len(points), bool), [np.empty((0, 3))]
    for height in np.arange(START_MM, CLEAR_MM, SAMPLE_MM):
        at = points + height * normals
        open_ &= ~np.isfinite(scan.tree.query(at, distance_upper_bound=OCCLUDED_MM)[0])
        layers.append(at[open_])
    return cKDTree(np.concatenate(layers))


def _between(scans: Sequence[Scan], free: cKDTree, number: int, through: int) -> list[LookedThrough]:
    own, other = scans[number], scans[through]
    seeds, normals = own.points[own.seeds], own.normals[own.seeds]
    against = np.isfinite(free.query(seeds, distance_upper_bound=INSIDE_MM)[0])
    against &= ~np.isfinite(other.tree.query(seeds, distance_upper_bound=START_MM)[0])
    if np.count_nonzero(against) < FEWEST * LEAST_CELLS:
        return []
    _, first, of_cell, count = np.unique(
        cells.key(cells.of(seeds)), return_index=True, return_inverse=True, return_counts=True
    )
    share = np.bincount(of_cell.ravel(), against) / count
    rows = np.flatnonzero((share > MOST_OF_CELL) & (count >= FEWEST))
    at = cells.of(seeds[first[rows]])
    found = []
    for mine in cells.connected(at, LEAST_CELLS):
        inside = np.isin(of_cell.ravel(), rows[mine])
        normal = normals[inside].sum(axis=0)
        low, high = at[mine].min(axis=0) * CELL_MM, (at[mine].max(axis=0) + 1) * CELL_MM
        found.append(LookedThrough(number, through, at[mine], low, high, normal / np.linalg.norm(normal)))
    return found
