"""How the errors of overlaps and targets go together into the poses' covariance.

The drift of a segment is one smooth error: it moves its surface and its targets alike, in every overlap. So neither
patches nor targets are independent of their neighbours, nor patches of the targets beside them. All of them are given
one covariance, in which drift at two places of a segment is alike by exp(-distance / length), and this is carried
through the fit, whatever weights the fit has used.
"""

from dataclasses import dataclass

import numpy as np
from scipy.spatial.distance import cdist

from nightbay.refine import overlap_adjustment as adjust
from nightbay.refine import target_constraints


@dataclass(frozen=True)
class Errors:
    """Covariances (6 s, 6 s) of the right sides of the normal equations and of what follows from them.

    ``overlaps`` of the overlaps' right side; ``cross`` of the poses by targets alone (rows) with that (columns);
    ``by_targets`` of the poses by targets alone, zero for what they leave open and for what holds the frame.
    """

    overlaps: np.ndarray
    cross: np.ndarray
    by_targets: np.ndarray


def errors(patches, ties, movable, drift, variance):
    """The :class:`Errors` of patches and targets.

    ``movable`` (s,) bool: all segments but the one that holds the frame; ``variance``: factor of the overlaps' errors.
    """
    segments = len(movable)
    pull = adjust.design(patches, segments) / np.diag(patches.errors_mm2)[:, None]
    J = target_constraints.centred(ties, segments)
    push = -J * ties.weight[:, None, None]  # what a mm of error adds to the targets' right side
    among = np.exp(-cdist(ties.at_mm, ties.at_mm) / drift.length_mm) * (ties.segment[:, None] == ties.segment[None])
    among *= ties.drift_mm[:, None] * ties.drift_mm[None]
    np.fill_diagonal(among, 1 / ties.weight)
    targets = sum(push[:, axis].T @ among @ push[:, axis] for axis in range(3))
    beside = np.exp(-cdist(ties.at_mm, patches.at_mm) / drift.length_mm) * ties.drift_mm[:, None]
    cross = np.zeros_like(targets)
    for end, sign in ((0, -1.0), (1, 1.0)):  # a distance is the second segment's place minus the first's
        shared = sign * beside * (ties.segment[:, None] == patches.ends[:, end]) * patches.drift_mm[:, end]
        cross += sum(push[:, axis].T @ (shared * patches.J[:, 3 + axis]) @ pull for axis in range(3))
    square = np.ix_(np.repeat(movable, 6), np.repeat(movable, 6))
    inverse = np.zeros_like(targets)
    matrix = np.einsum("nij,n,nik->jk", J, ties.weight, J)
    inverse[square] = np.linalg.pinv(matrix[square], rcond=1e-15, hermitian=True)
    return Errors(variance * pull.T @ patches.errors_mm2 @ pull, inverse @ cross, inverse @ targets @ inverse)


def covariance(given, overlaps, targets, solution):
    """Covariance (6 s, 6 s) of the poses of a solution about the patches' centre; ``given``: :class:`Errors`.

    Segments held at their target poses carry the errors of these, also into the poses of those fitted to them. A pose
    is meant as the one that suits the whole of its segment: what drift adds to all of it alike, from the run's start
    to its middle, no measurement inside the segment shows.
    """
    fitted = solution.factor * solution.inverse @ solution.told
    moved = np.diag(solution.inverse) > 0
    # what is left of a motion that would put the targets' poses right
    left = np.where(moved[None], solution.inverse @ targets.matrix, -fitted @ overlaps.matrix)
    held = np.flatnonzero(~moved)
    left[held, held] = 1.0
    both = left @ given.cross @ fitted.T
    return left @ given.by_targets @ left.T + fitted @ given.overlaps @ fitted.T + both + both.T


def best_factor(given, overlaps, targets, free):
    """The weight of all overlaps, of :data:`FACTORS`, for which the sum of the variances of
    all poses, in mm2, is least; ``given``: :class:`Errors`, ``free`` (s,) bool: segments that may move."""

    def total(factor):
        errors = covariance(given, overlaps, targets, adjust.solve(overlaps, targets, free, factor))
        return float(np.sum(np.diag(errors) / overlaps.scale**2))

    return min(adjust.FACTORS, key=total) if np.any(targets.matrix) else 1.0
