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
NORMAL_MEDIAN = 0.6745  # median of the absolute value of a normal variable with unit variance
SAME_FACING = 0.8  # cosine of 37 deg: few points make the normal of a fine cell
SAMPLE = 2000  # cells of a segment by which poses are aligned: the more, the less a smooth body slides
MISFIT = 2.0  # times as far apart as 95 % of the cells of two scans of one surface: noise does not explain it
DRIFT_SD = 3.0  # standard deviations of drift that it explains


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


@dataclass(frozen=True)
class Expected:
    """What the cells of two segments show in the true pose: ``offset_mm``, their median distance from the other's
    surface, and ``step_mm``, the distance of surfaces that are not the same one. Infinite where it is not known."""

    offset_mm: float
    step_mm: float


def judge(
    a: ThinnedSegment, b: ThinnedSegment, rough: Sequence[Fit], clear_mm: float, expected: Expected
) -> list[FineFit]:
    """The distinct poses that ``rough`` ones lead to, those with the lowest bound of the rate of contradiction first.

    ``clear_mm``: how far in front of a surface its scanner looked through.
    """
    starts = [fit.T_a_b for fit in rough]
    fits = coarse_fit.distinct_fits(a, b, starts, GATES, clear_mm, expected.step_mm, SAMPLE)
    return [closest(a, b, fit) for fit in fits]


def closest(a: ThinnedSegment, b: ThinnedSegment, fit: Fit) -> FineFit:
    """A fit with how closely the surfaces lie on each other in it."""
    return FineFit(fit, a.cell_mm, *closeness(a, b, fit.T_a_b))


def expected(halves: Sequence[Sequence[ThinnedSegment]], drift_mm: float) -> Expected:
    """What is :class:`Expected` of two segments, from the ``halves`` of each and the standard deviation of their drift,
    mm, of one against the other.

    A cell of a half holds half as many points as one of the segment, so its distances are wider by the root of two.
    """
    own = [(own_offset_mm(pair), _own_step_mm(pair)) for pair in halves]
    offset_mm = np.sqrt(np.mean([offset**2 for offset, _ in own]) + (NORMAL_MEDIAN * drift_mm) ** 2)
    step_mm = MISFIT * max(step for _, step in own) + DRIFT_SD * drift_mm
    return Expected(float(offset_mm), float(step_mm))


def own_offset_mm(halves: Sequence[ThinnedSegment]) -> float:
    """Median distance, mm, that the cells of a segment would have from a second scan of the same surface in the same
    pose: that of two halves of its points, of which each cell holds half as many."""
    return closeness(halves[0], halves[1], np.eye(4))[1] / np.sqrt(2)


def _own_step_mm(halves: Sequence[ThinnedSegment]) -> float:
    """Distance, mm, that 95 % of these cells would keep to."""
    offset_mm = coarse_fit.offsets_mm(halves[0], halves[1], np.eye(4))
    return float(np.percentile(offset_mm, 95) / np.sqrt(2)) if len(offset_mm) else np.inf


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
