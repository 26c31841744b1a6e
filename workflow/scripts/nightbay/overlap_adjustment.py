"""Least-squares adjustment of all poses of a part to the overlaps of its segments, beside what the targets say of them.

Unknown is a small motion of each segment (rotation vector in rad, translation in mm) about one common centre. A
correspondence observes the distance between two surfaces along their normal (point-to-plane: Y. Chen, G. Medioni, Image
and Vision Computing 10 (1992) 145; both planes share the normal, so that curvature cancels).

Errors of a hand-held scanner are not independent from point to point: the track drifts, and neighbouring points drift
alike. Therefore points are gathered in patches as large as the field of view; a patch weighs as one observation whose
variance is the drift's plus the points' over their number, however many points it has. The covariance of the result
goes further: it takes the drift as one process along each segment, whose value at two patches is correlated by
exp(-distance / length), and carries that through the solution.
"""

from dataclasses import dataclass

import numpy as np
from scipy.spatial.distance import cdist
from scipy.spatial.transform import Rotation

from nightbay import rigid, robust

TUKEY = 4.685  # tuning constant of Tukey's biweight: 95 % efficient on normal errors (P. Huber, Robust Statistics)
NARROWING = (1.0, 0.3, 0.1, 0.0)  # shares of the reach; the last leaves the bound to the distances themselves
MAD = 1.4826  # from the median absolute deviation to the standard deviation of a normal distribution


@dataclass(frozen=True)
class Drift:
    """How errors grow inside segments and how far they are alike: ``mm_per_m`` (s,) of the distance from each segment's
    middle, ``length_mm`` of correlation, ``patch_mm`` edge of a patch."""

    mm_per_m: np.ndarray
    length_mm: float
    patch_mm: float


@dataclass(frozen=True)
class Place:
    """Where the segments lie in the control frame: ``middles_mm`` (s, 3) of each, where its drift counts from, and the
    mean of these, ``centre_mm`` (3,), about which small motions turn."""

    middles_mm: np.ndarray

    @property
    def centre_mm(self):
        return self.middles_mm.mean(axis=0)


@dataclass(frozen=True)
class Patches:
    """Correspondences of all pairs gathered by place: (k,) patches, about ``centre_mm`` in the control frame.

    ``pair`` (k,) row of ``ends``; ``ends`` (pairs, 2) numbers of the segments; ``at_mm`` (k, 3) mean place;
    ``direction`` (k, 6) mean effect of a motion of a; ``count`` (k,) effective number of correspondences; ``mean_mm``
    (k,) their mean distance b minus a; ``square_mm2`` (k,) mean of its square; ``variance_mm2`` (k,) of the
    mean; ``H`` (k, 6, 6), ``g`` (k, 6) normal equations of a motion of a; ``drift_mm`` (k, 2) standard deviation of the
    drift of a and b there; ``normal_variance`` (rad2) of one direction's error in a normal, mean over all.
    """

    centre_mm: np.ndarray
    ends: np.ndarray
    pair: np.ndarray
    at_mm: np.ndarray
    direction: np.ndarray
    count: np.ndarray
    mean_mm: np.ndarray
    square_mm2: np.ndarray
    variance_mm2: np.ndarray
    H: np.ndarray
    g: np.ndarray
    drift_mm: np.ndarray
    normal_variance: float


def distances(pair, poses):
    """Signed distances b minus a along the common normal: ``(d_mm (m,), place (m, 3), normal (m, 3))`` in control."""
    T_a, T_b = poses[pair.a], poses[pair.b]
    at_a, at_b = rigid.transform(T_a, pair.discs.at_a), rigid.transform(T_b, pair.discs.at_b)
    normal = rigid.rotate(T_a, pair.discs.normal_a) + rigid.rotate(T_b, pair.discs.normal_b)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    return np.sum((at_b - at_a) * normal, axis=1), (at_a + at_b) / 2, normal


def robust_weights(d_mm, least_mm):
    """Tukey's weights (m,) of distances, and their robust standard deviation, at least ``least_mm``."""
    middle = float(np.median(d_mm))
    sd_mm = max(float(MAD * np.median(np.abs(d_mm - middle))), least_mm)
    return robust.tukey(d_mm, TUKEY * np.hypot(sd_mm, middle)), sd_mm


def settle(pairs, start, place, drift, prior, free, reach_mm):
    """Poses by which outliers can be told apart, found from wide bounds to narrow ones.

    Where most of an overlap slides along itself, the few places that hold it show large distances at first: bounds
    from the spread of all distances would take just these for outliers.
    """
    poses = start
    for share in NARROWING:
        patches = gather(pairs, start, place, drift, poses, share * reach_mm / TUKEY)
        poses = move(start, solve(patches, prior, free).motions, place.centre_mm)
    return poses


def gather(pairs, poses, place, drift, weighed_at, least_mm=0.0):
    """The :class:`Patches` of all pairs at these poses.

    ``weighed_at``: poses at which outliers are told apart; ``least_mm``: least standard deviation to tell them by.
    """
    rows = [_patches_of_pair(pair, poses, place, drift, weighed_at, least_mm) for pair in pairs]
    table = {key: np.concatenate([row[key] for row in rows]) for key in rows[0] if key != "normal_variance"}
    table["pair"] = np.repeat(np.arange(len(rows)), [len(row["count"]) for row in rows])
    shares = [len(pair.discs) for pair in pairs]
    return Patches(
        centre_mm=place.centre_mm,
        ends=np.array([(pair.a, pair.b) for pair in pairs]),
        normal_variance=float(np.average([row["normal_variance"] for row in rows], weights=shares)),
        **table,
    )


def _patch_numbers(place, normal, patch_mm):
    """Number (m,) of the patch of each correspondence: its cube of space and the face of that cube that it faces."""
    axis = np.argmax(np.abs(normal), axis=1)
    outward = np.take_along_axis(normal, axis[:, None], axis=1)[:, 0] > 0
    cell = np.column_stack([np.floor(place / patch_mm).astype(np.int64), 2 * axis + outward])
    return np.unique(cell, axis=0, return_inverse=True)[1].ravel()


def _patches_of_pair(pair, poses, place, drift, weighed_at, least_mm):
    """One pair's columns of :class:`Patches`."""
    d_mm, at, normal = distances(pair, poses)
    weights, _ = robust_weights(distances(pair, weighed_at)[0], max(float(np.median(pair.discs.sd_mm)), least_mm))
    patch = _patch_numbers(at, normal, drift.patch_mm)

    def total(values):
        return np.bincount(patch, weights=values)

    keep = total(weights) > 1.0
    count = np.maximum(total(weights), 1e-9)
    at_mm = np.column_stack([total(weights * at[:, axis]) for axis in range(3)]) / count[:, None]
    drift_mm = np.stack([np.linalg.norm(at_mm - place.middles_mm[end], axis=1) for end in (pair.a, pair.b)], axis=1)
    drift_mm = np.maximum(drift_mm, drift.patch_mm) * (
        drift.mm_per_m[[pair.a, pair.b]] / 1000
    )  # no place is free of drift
    noise2 = total(weights * pair.discs.sd_mm**2) / count
    variance_mm2 = np.sum(drift_mm**2, axis=1) + noise2 / count
    share = weights / (count * variance_mm2)[patch]
    arm = at - place.centre_mm
    J = np.hstack([np.cross(arm, normal), normal])
    upper = [(row, column) for row in range(6) for column in range(row, 6)]
    H = np.empty((len(count), 6, 6))
    for row, column in upper:
        H[:, row, column] = H[:, column, row] = total(share * J[:, row] * J[:, column])
    crooked = np.sum(np.square(rigid.rotate(poses[pair.a], pair.discs.normal_a)
                               - rigid.rotate(poses[pair.b], pair.discs.normal_b)), axis=1)  # fmt: skip
    columns = {
        "at_mm": at_mm,
        "direction": np.stack([total(weights * J[:, column]) for column in range(6)], axis=1) / count[:, None],
        "count": count,
        "mean_mm": total(weights * d_mm) / count,
        "square_mm2": total(weights * d_mm**2) / count,
        "variance_mm2": variance_mm2,
        "H": H,
        "g": np.stack([total(share * J[:, column] * d_mm) for column in range(6)], axis=1),
        "drift_mm": drift_mm,
    }
    columns = {key: value[keep] for key, value in columns.items()}
    # the mean of two planes' normals errs by a quarter of the variance of their difference, which has two components
    columns["normal_variance"] = float(np.average(crooked, weights=weights)) / 8
    return columns


@dataclass(frozen=True)
class Solution:
    """Motions (segments, 6) about the patches' centre, of the segments that were free to move; zero for the others.

    All unknowns in order of the segments: ``inverse`` (6 s, 6 s) of the normal matrix, zero where a segment was held;
    ``surface`` the overlaps' part of the normal matrix; ``told`` projection of a gradient on what overlaps determine.
    """

    motions: np.ndarray
    inverse: np.ndarray
    surface: np.ndarray
    told: np.ndarray


def solve(patches, prior, free, use=None):
    """Motions that fit the patches' distances and the prior together.

    ``prior`` (6 s, 6 s): the targets' normal matrix about the patches' centre, zero without targets; ``free`` (s,)
    bool: segments that may move; ``use`` (k,) bool: patches that count. Patches start from the targets' poses.
    Directions in which the overlaps say less than the errors of their normals feign (sliding along a flat or a
    cylinder) are left to the prior alone.
    """
    surface, right, feigned = _normal_equations(patches, len(free), use)
    unknown = np.repeat(free, 6)
    scale = scale_of(patches, len(free))[unknown]
    block = surface[np.ix_(unknown, unknown)] * scale[:, None] * scale[None]
    values, vectors = np.linalg.eigh(block)
    kept = vectors[
        :, values > 4 * feigned
    ]  # four times what is feigned on average: twice the errors' standard deviation
    told = kept @ kept.T
    normal_matrix = told @ block @ told + prior[np.ix_(unknown, unknown)] * scale[:, None] * scale[None]
    gradient = told @ (right[unknown] * scale)
    inverse = np.linalg.pinv(normal_matrix, rcond=1e-12, hermitian=True)
    motions = np.zeros(6 * len(free))
    motions[unknown] = inverse @ gradient * scale

    def whole(matrix, rows, columns):
        full = np.zeros((6 * len(free), 6 * len(free)))
        full[np.ix_(unknown, unknown)] = matrix * rows[:, None] * columns[None]
        return full

    return Solution(motions.reshape(-1, 6), whole(inverse, scale, scale), surface, whole(told, 1 / scale, scale))


def scale_of(patches, segments):
    """Factors (6 s,) that bring all unknowns to mm: a rotation counts at the patches' mean distance from the centre."""
    arm_mm = float(np.sqrt(np.mean(np.sum((patches.at_mm - patches.centre_mm) ** 2, axis=1))))
    return np.tile([1 / arm_mm] * 3 + [1.0] * 3, segments)


def _normal_equations(patches, segments, use):
    """Normal matrix, right side, and the information that the errors of the normals feign in any direction."""
    use = np.ones(len(patches.pair), bool) if use is None else use
    surface, right, weight = np.zeros((6 * segments, 6 * segments)), np.zeros(6 * segments), np.zeros(segments)
    for row, (a, b) in enumerate(patches.ends):
        mine = use & (patches.pair == row)
        H, g = patches.H[mine].sum(axis=0), patches.g[mine].sum(axis=0)
        of_a, of_b = slice(6 * a, 6 * a + 6), slice(6 * b, 6 * b + 6)
        surface[of_a, of_a] += H
        surface[of_b, of_b] += H
        surface[of_a, of_b] -= H
        surface[of_b, of_a] -= H
        right[of_a] += g
        right[of_b] -= g
        weight[[a, b]] += np.trace(H[3:, 3:])
    return surface, right, patches.normal_variance * float(weight.max())


def square_after(patches, motions):
    """Mean square distance (k,) mm2 in each patch once its segments have made these motions, see :func:`_relative`."""
    relative = _relative(patches, motions)
    linear = np.einsum("ki,ki->k", patches.g, relative)
    square = np.einsum("ki,kij,kj->k", relative, patches.H, relative)
    return patches.square_mm2 + patches.variance_mm2 * (square - 2 * linear)


def mean_after(patches, motions):
    """Mean distance (k,) mm in each patch once its segments have made these motions (segments, 6)."""
    return patches.mean_mm - np.einsum("ki,ki->k", patches.direction, _relative(patches, motions))


def _relative(patches, motions):
    """Motion (k, 6) of each patch's first segment against its second; ``motions`` (s, 6), or (k, s, 6) one a patch."""
    a, b = patches.ends[patches.pair].T
    each = np.broadcast_to(motions, (len(a), *motions.shape[-2:]))
    return each[np.arange(len(a)), a] - each[np.arange(len(a)), b]


def covariance(patches, prior, solution, drift):
    """Covariance (6 s, 6 s) of the motions about the patches' centre, and the overlaps' variance factor.

    The drift of a segment at two of its patches is taken as correlated by exp(-distance / ``drift.length_mm``),
    whatever pair they belong to; its scale is the model's or what the residuals show, whichever is more.
    """
    a, b = patches.ends[patches.pair].T
    alike = np.exp(-cdist(patches.at_mm, patches.at_mm) / drift.length_mm)
    errors = np.diag(patches.variance_mm2 - np.sum(patches.drift_mm**2, axis=1))
    for mine, sign_mine in ((a, 1.0), (b, -1.0)):
        for other, sign_other in ((a, 1.0), (b, -1.0)):
            drift_mine = patches.drift_mm[:, 0 if sign_mine > 0 else 1]
            drift_other = patches.drift_mm[:, 0 if sign_other > 0 else 1]
            same = mine[:, None] == other[None]
            errors += sign_mine * sign_other * same * drift_mine[:, None] * drift_other[None] * alike
    residuals = mean_after(patches, solution.motions)
    freedom = max(len(residuals) - np.linalg.matrix_rank(solution.told), 1)
    factor = max(float(np.sum(residuals**2 / patches.variance_mm2)) / freedom, 1.0)
    gradient = np.zeros((len(prior), len(residuals)))
    push = patches.direction / patches.variance_mm2[:, None]
    for column in range(6):
        gradient[6 * a + column, np.arange(len(a))] += push[:, column]
        gradient[6 * b + column, np.arange(len(b))] -= push[:, column]
    gradient = solution.told @ gradient
    spread = factor * gradient @ errors @ gradient.T + prior
    return solution.inverse @ spread @ solution.inverse, factor


def move(poses, motions, centre_mm):
    """Poses after small motions (segments, 6) about the centre."""
    moved = []
    for T, motion in zip(poses, motions, strict=True):
        rotation = Rotation.from_rotvec(motion[:3]).as_matrix()
        moved.append(rigid.pose(rotation, centre_mm - rotation @ centre_mm + motion[3:]) @ T)
    return moved
