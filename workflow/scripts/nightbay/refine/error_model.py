"""Propagates the errors of overlaps and targets into the covariance of the poses.

The drift of a segment is one smooth error: it moves its surface and its targets alike, in every overlap. So neither
patches nor targets are independent of their neighbours, nor patches of the targets beside them. All of them share one
covariance, in which the drift of a segment has the correlation exp(-distance / length) between two points. It is
propagated through the fit, whatever weights the fit used.
"""

from dataclasses import dataclass

import numpy as np
from scipy.spatial.distance import cdist

from nightbay.refine import overlap_adjustment, target_constraints
from nightbay.refine.overlap_adjustment import NormalEquations, OverlapEquations, Solution
from nightbay.refine.overlap_patches import DriftModel, Patches
from nightbay.refine.target_constraints import TargetObservations


@dataclass(frozen=True)
class ErrorCovariances:
    """Covariances (6 s, 6 s) of the right sides of the normal equations and of what follows from them.

    ``overlaps`` of the overlaps' right side; ``cross`` of the poses by targets alone (rows) with that (columns);
    ``by_targets`` of the poses by targets alone, zero for what they leave open and for what holds the frame.
    """

    overlaps: np.ndarray
    cross: np.ndarray
    by_targets: np.ndarray


def error_covariances(
    patches: Patches,
    observed: TargetObservations,
    points: NormalEquations,
    movable: np.ndarray,
    drift: DriftModel,
    variance_factor: float,
) -> ErrorCovariances:
    """The :class:`ErrorCovariances` of patches and targets; ``points``: normal equations of point pairs, whose
    independent errors count as those of targets.

    ``movable`` (s,) bool: all segments but the one that holds the frame; ``variance_factor`` of the overlaps' errors.
    """
    segments = len(movable)
    pull = overlap_adjustment.design_matrix(patches, segments) / np.diag(patches.errors_mm2)[:, None]
    J = target_constraints.reduced_design(observed, segments)
    push = -J * observed.weight[:, None, None]  # change of the targets' right side by an error of 1 mm
    among = np.exp(-cdist(observed.at_mm, observed.at_mm) / drift.length_mm) * (
        observed.segment[:, None] == observed.segment[None]
    )
    among *= observed.drift_mm[:, None] * observed.drift_mm[None]
    np.fill_diagonal(among, 1 / observed.weight)
    targets = np.zeros((6 * segments, 6 * segments))
    for axis in range(3):
        targets += push[:, axis].T @ among @ push[:, axis]
    targets += points.matrix
    beside = np.exp(-cdist(observed.at_mm, patches.at_mm) / drift.length_mm) * observed.drift_mm[:, None]
    cross = np.zeros_like(targets)
    for end, sign in ((0, -1.0), (1, 1.0)):  # a distance is the second segment's position minus the first's
        shared = sign * beside * (observed.segment[:, None] == patches.ends[:, end]) * patches.drift_mm[:, end]
        products = [push[:, axis].T @ (shared * patches.J[:, 3 + axis]) @ pull for axis in range(3)]
        cross += products[0] + products[1] + products[2]
    square = np.ix_(np.repeat(movable, 6), np.repeat(movable, 6))
    inverse = np.zeros_like(targets)
    matrix = np.einsum("nij,n,nik->jk", J, observed.weight, J) + points.matrix
    inverse[square] = np.linalg.pinv(matrix[square], rcond=1e-15, hermitian=True)
    overlaps = variance_factor * pull.T @ patches.errors_mm2 @ pull
    return ErrorCovariances(overlaps, inverse @ cross, inverse @ targets @ inverse)


def pose_covariance(
    errors: ErrorCovariances, overlaps: OverlapEquations, targets: NormalEquations, solution: Solution
) -> np.ndarray:
    """Covariance (6 s, 6 s) of the poses of a solution about the patches' centre: rotation vector rad, translation mm.

    Segments held at their target poses have the errors of these poses, and pass them on to the segments fitted to them.
    A pose is defined as the best fit to its whole segment. Drift that moves the whole segment alike, from the start of
    the run to its middle, is not included: no measurement inside the segment shows it.
    """
    fitted = solution.overlap_weight * solution.inverse @ solution.observable
    moved = np.diag(solution.inverse) > 0
    # share of an error of the target poses that remains after the fit
    left = np.where(moved[None], solution.inverse @ targets.matrix, -fitted @ overlaps.matrix)
    held = np.flatnonzero(~moved)
    left[held, held] = 1.0
    both = left @ errors.cross @ fitted.T
    return left @ errors.by_targets @ left.T + fitted @ errors.overlaps @ fitted.T + both + both.T


def best_overlap_weight(
    errors: ErrorCovariances, overlaps: OverlapEquations, targets: NormalEquations, free: np.ndarray
) -> float:
    """The weight of all overlaps for which the sum of the variances of all poses, in mm2, is least.

    One of :data:`nightbay.refine.overlap_adjustment.WEIGHTS`; ``free`` (s,) bool: segments that may move.
    """

    def total(weight: float) -> float:
        solution = overlap_adjustment.solve(overlaps, targets, free, weight)
        covariance = pose_covariance(errors, overlaps, targets, solution)
        return float(np.sum(np.diag(covariance) / overlaps.scale**2))

    return min(overlap_adjustment.WEIGHTS, key=total) if np.any(targets.matrix) else 1.0
