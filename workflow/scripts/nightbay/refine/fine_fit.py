"""Judges poses at the resolution of the points: how closely two surfaces lie on each other, and where they contradict.

A wrong pose brings surfaces near each other, the true one brings them onto each other: nearly all surface that is near
the other's lies on it then, whatever the overlap, and what is left is noise.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from nightbay.core import rigid
from nightbay.refine import coarse_fit
from nightbay.refine.coarse_fit import Fit
from nightbay.refine.coarse_match import ThinnedSegment

# Largest distance to a partner in each step, cells: a rough pose errs by some of these, and smooth bodies slide slowly.
GATES = (4.0, 4.0, 3.0, 3.0, 2.0, 2.0, *[1.0] * 40)
NEAR = 3.0  # cells: surface so near another's should lie on it
CLOSE = 0.5  # cells: surface lies on another
SAME_FACING = 0.8  # cosine of 37 deg: few points make the normal of a fine cell


@dataclass(frozen=True)
class FineFit:
    """A pose with its :class:`~nightbay.refine.coarse_fit.Fit` by cells of ``cell_mm``.

    ``close_share``: of the cells near the other segment's, those that lie on its surface; ``offset_mm``: median
    distance of cells from that surface along the normal.
    """

    fit: Fit
    cell_mm: float
    close_share: float
    offset_mm: float


def judge(a: ThinnedSegment, b: ThinnedSegment, rough: Sequence[Fit], clear_mm: float) -> list[FineFit]:
    """The distinct poses that ``rough`` ones lead to, those with the lowest bound of the rate of contradiction first.

    ``clear_mm``: how far in front of a surface its scanner looked through.
    """
    fits = coarse_fit.distinct_fits(a, b, [fit.T_a_b for fit in rough], GATES, clear_mm)
    return [closest(a, b, fit) for fit in fits]


def closest(a: ThinnedSegment, b: ThinnedSegment, fit: Fit) -> FineFit:
    """A fit with how closely the surfaces lie on each other in it."""
    return FineFit(fit, a.cell_mm, *closeness(a, b, fit.T_a_b))


def own_offset_mm(halves: Sequence[ThinnedSegment]) -> float:
    """Median distance, mm, that the cells of a segment would have from a second scan of the same surface in the same
    pose: that of two halves of its points, of which each cell holds half as many."""
    return closeness(halves[0], halves[1], np.eye(4))[1] / np.sqrt(2)


def closeness(a: ThinnedSegment, b: ThinnedSegment, T_a_b: np.ndarray) -> tuple[float, float]:
    """Share of the cells near the other segment that lie on its surface, and the median distance of these, mm.

    The share is 0 and the distance infinite where no cells are near.
    """
    near, offsets = 0, []
    for segment, other, T in ((a, b, T_a_b), (b, a, rigid.invert(T_a_b))):
        at, normal = rigid.transform(T, other.xyz_mm), rigid.rotate(T, other.normal)
        distance, partner = cKDTree(at).query(segment.xyz_mm, distance_upper_bound=NEAR * segment.cell_mm)
        found = np.isfinite(distance)
        partner = partner[found]
        apart = at[partner] - segment.xyz_mm[found]
        cosine = coarse_fit.cosines(segment, other, normal[partner], segment.normal[found])
        sides = normal[partner], segment.normal[found]
        offset = np.minimum(*(np.abs(np.sum(apart * side, axis=1)) for side in sides))  # at a rim a normal may lean
        near += len(partner)
        offsets.append(offset[cosine > SAME_FACING])
    offset = np.concatenate(offsets)
    if not len(offset):
        return 0.0, float("inf")
    return float(np.count_nonzero(offset < CLOSE * a.cell_mm) / near), float(np.median(offset))
