"""Least-squares adjustment of all poses of a part to the overlaps of its segments and to what the targets say of them.

Unknown is a small motion of each segment (rotation vector in rad, translation in mm) about one common centre. Patches
of the overlaps (:mod:`refine.patches`) weigh by their own variance, and all together by a factor: the one that makes
the result's covariance least, which counts the correlations between patches. So a million points more in an overlap
don't make its drift any smaller, and overlaps never outvote good targets. (Weighing by the inverse of the full
covariance was tried: it trusts differences between neighbouring patches more than real surfaces deserve.)
"""

from dataclasses import dataclass

import numpy as np
from scipy import linalg
from scipy.spatial.transform import Rotation

from nightbay.core import rigid
from nightbay.refine import patches as patching

NARROWING = (1.0, 0.3, 0.1, 0.0)  # shares of the reach; the last leaves the bound to the distances themselves
FACTORS = tuple(0.5**power for power in range(13))  # at 1/4096 targets rule alone
FEIGNED = 4.0  # times the information that errors of normals feign on average: twice the errors' standard deviation


@dataclass(frozen=True)
class Equations:
    """Normal equations of all motions about the centre: ``matrix`` (6 s, 6 s) and ``right`` side (6 s,)."""

    matrix: np.ndarray
    right: np.ndarray

    @classmethod
    def none(cls, segments):
        """Nothing is known."""
        return cls(np.zeros((6 * segments, 6 * segments)), np.zeros(6 * segments))


@dataclass(frozen=True)
class Overlaps(Equations):
    """Normal equations by the overlaps, as if their patches were independent.

    ``scale`` (6 s,) brings all unknowns to mm: a rotation counts at the patches' mean distance from the centre.
    ``feigned``: information that errors of the normals feign in any direction, 1 / mm2.
    """

    scale: np.ndarray
    feigned: float


@dataclass(frozen=True)
class Solution:
    """Motions (s, 6) about the centre of the segments that were free to move; zero for the others.

    ``factor``: weight of the overlaps against the targets. All unknowns in order of the segments: ``inverse``
    (6 s, 6 s) of the normal matrix, zero where a segment was held; ``told`` projection of a gradient on what the
    overlaps determine.
    """

    motions: np.ndarray
    factor: float
    inverse: np.ndarray
    told: np.ndarray


def design(patches, segments):
    """Effect (k, 6 s) of all motions on the patches' distances, to be taken off them."""
    full = np.zeros((len(patches.pair), segments, 6))
    rows = np.arange(len(patches.pair))
    full[rows, patches.ends[:, 0]] += patches.J
    full[rows, patches.ends[:, 1]] -= patches.J
    return full.reshape(len(rows), 6 * segments)


def equations(patches, segments, use=None):
    """The :class:`Overlaps` of the patches that ``use`` (k,) bool selects, all of them without it."""
    use = np.ones(len(patches.pair), bool) if use is None else use
    A = design(patches, segments)[use]
    weight = 1 / np.diag(patches.errors_mm2)[use]
    weighted = A * weight[:, None]
    squared = np.sum((patches.at_mm - patches.centre_mm) ** 2, axis=1)
    arm_mm = float(np.sqrt(np.mean(squared))) if len(squared) else 1.0  # without patches nothing is scaled
    weights = [weight[patches.touching(segment)[use]].sum() for segment in range(segments)]
    return Overlaps(
        weighted.T @ A,
        weighted.T @ patches.mean_mm[use],
        np.tile([1 / arm_mm] * 3 + [1.0] * 3, segments),
        patches.normal_variance * float(max(weights)),
    )


def solve(overlaps, targets, free, factor=1.0):
    """Motions that fit :class:`Overlaps` and the targets' :class:`Equations` together.

    ``free`` (s,) bool: segments that may move; ``factor``: weight of all overlaps against the targets.

    Directions in which the overlaps say less than the errors of their normals feign (sliding along a flat or a
    cylinder) are left to the targets alone.
    """
    unknown = np.repeat(free, 6)
    scale = overlaps.scale[unknown]
    square = np.ix_(unknown, unknown)
    block = overlaps.matrix[square] * scale[:, None] * scale[None]
    values, vectors = np.linalg.eigh(block)
    kept = vectors[:, values > FEIGNED * overlaps.feigned]
    told = kept @ kept.T
    matrix = factor * told @ block @ told + targets.matrix[square] * scale[:, None] * scale[None]
    gradient = factor * told @ (overlaps.right[unknown] * scale) + targets.right[unknown] * scale
    inverse = np.linalg.pinv(matrix, rcond=1e-12, hermitian=True)
    motions = np.zeros(len(unknown))
    motions[unknown] = inverse @ gradient * scale

    def whole(part, rows, columns):
        full = np.zeros((len(unknown), len(unknown)))
        full[square] = part * rows[:, None] * columns[None]
        return full

    return Solution(motions.reshape(-1, 6), factor, whole(inverse, scale, scale), whole(told, 1 / scale, scale))


def by_targets_alone(targets, free):
    """Motions (s, 6) of the free segments by the targets' :class:`Equations`; what they leave open stays."""
    unknown = np.repeat(free, 6)
    motions = np.zeros(len(unknown))
    inverse = np.linalg.pinv(targets.matrix[np.ix_(unknown, unknown)], rcond=1e-15, hermitian=True)
    motions[unknown] = inverse @ targets.right[unknown]
    return motions.reshape(-1, 6)


def settle(pairs, start, place, drift, targets, free, reach_mm):
    """Poses by which outliers can be told apart, found from wide bounds to narrow ones.

    Where most of an overlap slides along itself, the few places that hold it show large distances at first: bounds
    from the spread of all distances would take just these for outliers.
    """
    poses = start
    for share in NARROWING:
        patches = patching.gather(pairs, start, place, drift, poses, share * reach_mm / patching.TUKEY)
        solution = solve(equations(patches, len(start)), targets, free)
        poses = move(start, solution.motions, place.centre_mm)
    return poses


def mean_after(patches, motions):
    """Mean distance (k,) mm in each patch after ``motions`` (s, 6), or (k, s, 6) of its own for each patch."""
    rows = np.arange(len(patches.pair))
    each = np.broadcast_to(motions, (len(rows), *motions.shape[-2:]))
    relative = each[rows, patches.ends[:, 0]] - each[rows, patches.ends[:, 1]]
    return patches.mean_mm - np.sum(patches.J * relative, axis=1)


def variance_factor(patches, solution):
    """How much larger the overlaps' errors are than their model, at least 1.

    Never less, since an overlap that agrees better than expected is no proof of less drift.
    """
    residual = mean_after(patches, solution.motions)
    white = linalg.solve_triangular(linalg.cholesky(patches.errors_mm2, lower=True), residual, lower=True)
    freedom = max(len(residual) - np.linalg.matrix_rank(solution.told), 1)
    return max(float(white @ white) / freedom, 1.0)


def move(poses, motions, centre_mm):
    """Poses after small motions (s, 6) about the centre."""
    moved = []
    for T, motion in zip(poses, motions, strict=True):
        rotation = Rotation.from_rotvec(motion[:3]).as_matrix()
        moved.append(rigid.pose(rotation, centre_mm - rotation @ centre_mm + motion[3:]) @ T)
    return moved
