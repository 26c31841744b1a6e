"""Least-squares adjustment of all poses of a part to the overlaps of its segments and to their targets.

Unknown is a small motion of each segment (rotation vector in rad, translation in mm) about one common centre. Patches
of the overlaps (:mod:`refine.overlap_patches`) weigh by their own variance, and all together by a factor: the one that
makes the result's covariance least, which counts the correlations between patches. So a million points more in an
overlap do not make its drift any smaller, and overlaps never outvote good targets. The inverse of the full covariance
is not used as the weight: it trusts differences between neighbouring patches more than real surfaces deserve.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import linalg

from nightbay.core import rigid, robust
from nightbay.refine.overlap import Pair
from nightbay.refine.overlap_patches import DriftModel, Patches, gather

# Bounds of outliers, shares of the distance that was searched; the last leaves the bound to the distances themselves.
NARROWING = (1.0, 0.3, 0.1, 0.0)
WEIGHTS = tuple(0.5**power for power in range(13))  # at 1/4096 the targets alone determine the poses
# Times the spurious information by errors of normals, on average: twice the standard deviation of these errors.
SPURIOUS = 4.0


@dataclass(frozen=True)
class NormalEquations:
    """Normal equations of all motions about the centre: ``matrix`` (6 s, 6 s) and ``right`` side (6 s,)."""

    matrix: np.ndarray
    right: np.ndarray

    def __add__(self, other: "NormalEquations") -> "NormalEquations":
        """The normal equations of two independent sets of observations together."""
        return NormalEquations(self.matrix + other.matrix, self.right + other.right)

    @classmethod
    def none(cls, segments: int) -> "NormalEquations":
        """Normal equations of ``segments`` segments without any observation."""
        return NormalEquations(np.zeros((6 * segments, 6 * segments)), np.zeros(6 * segments))


@dataclass(frozen=True)
class OverlapEquations(NormalEquations):
    """Normal equations by the overlaps, as if their patches were independent.

    ``scale`` (6 s,) brings all unknowns to mm: a rotation counts at the patches' mean distance from the centre.
    ``spurious``: information that errors of the normals seem to give in any direction, 1 / mm2.
    """

    scale: np.ndarray
    spurious: float


@dataclass(frozen=True)
class Solution:
    """Motions (s, 6) about the centre of the segments that were free to move; zero for the others.

    ``overlap_weight``: weight of the overlaps against the targets. All unknowns in order of the segments: ``inverse``
    (6 s, 6 s) of the normal matrix, zero where a segment was held; ``observable`` (6 s, 6 s) projection of a gradient
    on what the overlaps determine.
    """

    motions: np.ndarray
    overlap_weight: float
    inverse: np.ndarray
    observable: np.ndarray


def design_matrix(patches: Patches, segments: int) -> np.ndarray:
    """Effect (k, 6 s) of the motions of all ``segments`` on the patches' distances, to be subtracted from them."""
    full = np.zeros((len(patches.pair), segments, 6))
    rows = np.arange(len(patches.pair))
    full[rows, patches.ends[:, 0]] += patches.J
    full[rows, patches.ends[:, 1]] -= patches.J
    return full.reshape(len(rows), 6 * segments)


def overlap_equations(patches: Patches, segments: int, use: np.ndarray | None = None) -> OverlapEquations:
    """The :class:`OverlapEquations` of the patches that ``use`` (k,) bool selects, of all without it."""
    use = np.ones(len(patches.pair), bool) if use is None else use
    A = design_matrix(patches, segments)[use]
    weight = 1 / np.diag(patches.errors_mm2)[use]
    weighted = A * weight[:, None]
    squared = np.sum((patches.at_mm - patches.centre_mm) ** 2, axis=1)
    arm_mm = float(np.sqrt(np.mean(squared))) if len(squared) else 1.0  # without patches nothing is scaled
    weights = [weight[patches.touching(segment)[use]].sum() for segment in range(segments)]
    return OverlapEquations(
        weighted.T @ A,
        weighted.T @ patches.mean_mm[use],
        np.tile([1 / arm_mm] * 3 + [1.0] * 3, segments),
        patches.normal_variance * float(max(weights)),
    )


def solve(
    overlaps: OverlapEquations, targets: NormalEquations, free: np.ndarray, overlap_weight: float = 1.0
) -> Solution:
    """Motions that fit overlaps and targets together.

    ``free`` (s,) bool: segments that may move; ``overlap_weight``: weight of all overlaps against the targets.

    Directions in which the overlaps hold no more information than errors of their normals would seem to give (sliding
    along a flat or a cylinder) are left to the targets alone.
    """
    unknown = np.repeat(free, 6)
    scale = overlaps.scale[unknown]
    square = np.ix_(unknown, unknown)
    block = overlaps.matrix[square] * scale[:, None] * scale[None]
    values, vectors = np.linalg.eigh(block)
    kept = vectors[:, values > SPURIOUS * overlaps.spurious]
    observable = kept @ kept.T
    matrix = overlap_weight * observable @ block @ observable + targets.matrix[square] * scale[:, None] * scale[None]
    gradient = overlap_weight * observable @ (overlaps.right[unknown] * scale) + targets.right[unknown] * scale
    inverse = np.linalg.pinv(matrix, rcond=1e-12, hermitian=True)
    motions = np.zeros(len(unknown))
    motions[unknown] = inverse @ gradient * scale

    def full_size(part: np.ndarray, rows: np.ndarray, columns: np.ndarray) -> np.ndarray:
        full = np.zeros((len(unknown), len(unknown)))
        full[square] = part * rows[:, None] * columns[None]
        return full

    return Solution(
        motions.reshape(-1, 6),
        overlap_weight,
        full_size(inverse, scale, scale),
        full_size(observable, 1 / scale, scale),
    )


def solve_targets(targets: NormalEquations, free: np.ndarray) -> np.ndarray:
    """Motions (s, 6) of the ``free`` (s,) segments by the targets alone; what these leave open stays at zero."""
    unknown = np.repeat(free, 6)
    motions = np.zeros(len(unknown))
    inverse = np.linalg.pinv(targets.matrix[np.ix_(unknown, unknown)], rcond=1e-15, hermitian=True)
    motions[unknown] = inverse @ targets.right[unknown]
    return motions.reshape(-1, 6)


def robust_poses(
    pairs: Sequence[Pair],
    start: Sequence[np.ndarray],
    drift: DriftModel,
    targets: NormalEquations,
    free: np.ndarray,
    distance_mm: float,
) -> list[np.ndarray]:
    """Poses at which outliers can be identified, found by bounds that narrow step by step from ``distance_mm``.

    Most of an overlap may be free to slide along itself. The few patches that prevent this show large distances at
    first, and bounds from the spread of all distances would reject just these as outliers.
    """
    poses = list(start)
    for share in NARROWING:
        patches = gather(pairs, start, drift, poses, share * distance_mm / robust.TUKEY_SD)
        solution = solve(overlap_equations(patches, len(start)), targets, free)
        poses = move(start, solution.motions, drift.centre_mm)
    return poses


def mean_after(patches: Patches, motions: np.ndarray) -> np.ndarray:
    """Mean distance (k,) mm in each patch after ``motions`` (s, 6), or (k, s, 6) of its own for each patch."""
    rows = np.arange(len(patches.pair))
    each = np.broadcast_to(motions, (len(rows), *motions.shape[-2:]))
    relative = each[rows, patches.ends[:, 0]] - each[rows, patches.ends[:, 1]]
    return patches.mean_mm - np.sum(patches.J * relative, axis=1)


def variance_factor(patches: Patches, solution: Solution) -> float:
    """Variance of the overlaps' errors against that of their model, at least 1.

    It is never less than 1, because an overlap that agrees better than expected is no proof of less drift.
    """
    residual = mean_after(patches, solution.motions)
    white = linalg.solve_triangular(linalg.cholesky(patches.errors_mm2, lower=True), residual, lower=True)
    degrees_of_freedom = max(len(residual) - np.linalg.matrix_rank(solution.observable), 1)
    return max(float(white @ white) / degrees_of_freedom, 1.0)


def move(poses: Sequence[np.ndarray], motions: np.ndarray, centre_mm: np.ndarray) -> list[np.ndarray]:
    """Poses (4, 4) after small motions (s, 6) about the centre, (3,) mm."""
    return [rigid.moved(T, motion, centre_mm) for T, motion in zip(poses, motions, strict=True)]
