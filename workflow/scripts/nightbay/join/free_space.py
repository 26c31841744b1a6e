"""Contradictions of a join: surface of one part in space that the other part's scanner looked through.

A scanner stood in front of every point that it recorded, so the space in front of a surface is free up to some
distance. An interior wall that passes through the outer skin comes to lie in the space in front of that skin.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.spatial import cKDTree

from nightbay.core import rigid, thinning
from nightbay.join.skin import Skin

CLEAR_MM = 240.0  # hand-held scanners come no nearer than about 0.3 m (common practice, no source)
START = 2.0  # cells: nearer to the surface its own roughness and another's edge can't be told from each other
NEAR = 0.9  # cells: half the diagonal of a cube, so that a surface in free space meets one sample at least


@dataclass(frozen=True)
class FreeSpace:
    """The space in front of a part's surface: ``cells``, the thinned surface; samples of the free space, (n, 3)."""

    cells: Skin

    @cached_property
    def samples_mm(self) -> np.ndarray:
        """Points (n, 3), one in each cell, in front of the surface, up to the part's own next surface."""
        cell = self.cells.spacing_mm
        open_ = np.ones(len(self.cells.points_mm), bool)
        layers = []
        for height in np.arange(START * cell, max(CLEAR_MM, (START + 1) * cell), cell):
            at = self.cells.points_mm + height * self.cells.normals
            distance, _ = self.cells.tree.query(at, distance_upper_bound=START * cell)
            open_ &= ~np.isfinite(distance)
            layers.append(at[open_])
        samples = np.concatenate(layers)
        return samples[thinning.thin(samples, cell)]

    @cached_property
    def tree(self) -> cKDTree:
        """Search tree of the samples."""
        return cKDTree(self.samples_mm)

    def holds(self, points_mm: np.ndarray) -> np.ndarray:
        """Which points (n, 3) lie in the free space, (n,) bool."""
        distance, _ = self.tree.query(points_mm, distance_upper_bound=NEAR * self.cells.spacing_mm)
        return np.isfinite(distance)


def contradictions(a: FreeSpace, b: FreeSpace, T_a_b: np.ndarray) -> tuple[float, float]:
    """Share of b's surface that lies in a's free space, and of a's surface that lies in b's."""
    of_b = a.holds(rigid.transform(T_a_b, b.cells.points_mm))
    of_a = b.holds(rigid.transform(rigid.invert(T_a_b), a.cells.points_mm))
    # only surface of a that lies near b could contradict it
    reached = max(1, min(len(of_a), len(b.cells.points_mm)))
    return float(of_b.mean()), float(of_a.sum() / reached)


def outside(a: Skin, b: Skin, T_a_b: np.ndarray, reach_mm: float, tolerance_mm: float) -> tuple[int, int]:
    """How many points of b lie outside of a's skin that faces away from them, and how many have such a skin within
    ``reach_mm``: an inner surface behind its outer skin lies inside of it."""
    at, facing = rigid.transform(T_a_b, b.points_mm), rigid.rotate(T_a_b, b.normals)
    _, nearest = a.tree.query(at, distance_upper_bound=reach_mm)
    found = np.flatnonzero(nearest < len(a.points_mm))
    found = found[np.sum(facing[found] * a.normals[nearest[found]], axis=1) < -OPPOSED]
    off = np.sum((at[found] - a.points_mm[nearest[found]]) * a.normals[nearest[found]], axis=1)
    beside = np.linalg.norm(at[found] - a.points_mm[nearest[found]], axis=1) ** 2 - off**2
    over = beside < (2 * a.spacing_mm) ** 2  # straight in front or behind, not beyond an edge
    return int(np.count_nonzero(off[over] > tolerance_mm)), int(over.sum())


OPPOSED = 0.8  # cosine of 37 degrees: inner and outer face of one wall
