"""Patches: distances between overlapping segments averaged over small areas, and the correlation of their errors.

Errors of a hand-held scanner are not independent from point to point: the track drifts, and neighbouring points drift
alike. So correspondences are gathered in patches as large as the scanner's field of view. A patch is one observation,
the mean distance of its correspondences along their normals, however many there are; the errors of two patches are
correlated, because both hold the drift of the segments that they share.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial.distance import cdist

from nightbay.core import rigid, robust
from nightbay.refine.overlap import Pair

LEAST_WEIGHT = 1.0  # sum of the weights of a patch: one correspondence alone is no mean


@dataclass(frozen=True)
class DriftModel:
    """How errors grow inside segments and how far they are alike.

    ``mm_per_m`` (s,): growth of the standard deviation with the distance from each segment's centroid, of which
    ``centroids_mm`` (s, 3) holds the position in the control frame; ``length_mm``: distance at which the correlation
    has fallen to 1/e; ``patch_mm``: edge of a patch, inside which all errors are alike.
    """

    mm_per_m: np.ndarray
    length_mm: float
    patch_mm: float
    centroids_mm: np.ndarray

    @property
    def centre_mm(self) -> np.ndarray:
        """Mean of the centroids, (3,), about which small motions turn."""
        return self.centroids_mm.mean(axis=0)


@dataclass(frozen=True)
class Patches:
    """k patches of all pairs of overlapping segments, control frame.

    ``ends`` (k, 2) numbers of the two segments, ``pair`` (k,) of the pair; ``at_mm`` (k, 3) mean position; ``count``
    (k,) sum of the weights of their correspondences; ``mean_mm`` (k,) their mean distance, the second segment minus the
    first; ``J`` (k, 6) by how much a motion of the first reduces it (rotation vector in rad and translation in mm about
    ``centre_mm``); ``drift_mm`` (k, 2) standard deviation of the drift of either segment there; ``errors_mm2`` (k, k)
    covariance of the mean distances; ``normal_variance`` (rad2) of the error of a normal in any direction, mean over
    all.
    """

    centre_mm: np.ndarray
    ends: np.ndarray
    pair: np.ndarray
    at_mm: np.ndarray
    count: np.ndarray
    mean_mm: np.ndarray
    J: np.ndarray
    drift_mm: np.ndarray
    errors_mm2: np.ndarray
    normal_variance: float

    def touching(self, segment: int) -> np.ndarray:
        """Patches of which the ``segment``, a number, is an end, (k,) bool."""
        return (self.ends == segment).any(axis=1)


def distances(pair: Pair, poses: Sequence[np.ndarray]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Signed distances b minus a along the common normal, (m,) mm, their positions and normals, (m, 3), in control.

    Both planes share the normal, so that curvature cancels (point-to-plane: Y. Chen, G. Medioni, Image and Vision
    Computing 10 (1992) 145; the symmetric form: S. Rusinkiewicz, SIGGRAPH 2019).
    """
    T_a, T_b = poses[pair.a], poses[pair.b]
    at_a, at_b = rigid.transform(T_a, pair.discs.at_a), rigid.transform(T_b, pair.discs.at_b)
    normal = rigid.rotate(T_a, pair.discs.normal_a) + rigid.rotate(T_b, pair.discs.normal_b)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    return np.sum((at_b - at_a) * normal, axis=1), (at_a + at_b) / 2, normal


def robust_weights(d_mm: np.ndarray, least_mm: float) -> tuple[np.ndarray, float]:
    """Tukey's weights (m,) of distances, and their robust standard deviation, at least ``least_mm``."""
    median = float(np.median(d_mm))
    sd_mm = max(float(robust.MAD_TO_SD * np.median(np.abs(d_mm - median))), least_mm)
    return robust.tukey(d_mm, robust.TUKEY_SD * np.hypot(sd_mm, median)), sd_mm


def gather(
    pairs: Sequence[Pair],
    poses: Sequence[np.ndarray],
    drift: DriftModel,
    weighed_at: Sequence[np.ndarray],
    least_mm: float = 0.0,
) -> Patches:
    """The :class:`Patches` of all pairs at these poses.

    ``weighed_at``: poses at which outliers are identified; ``least_mm``: least standard deviation that bounds them.
    """
    rows = []
    for pair in pairs:
        weights = _weights(pair, weighed_at, least_mm)
        rows.append(_of_pair(pair, poses, drift.centre_mm, drift.patch_mm, weights))
    counts = [len(row["count"]) for row in rows]
    table = {key: np.concatenate([row[key] for row in rows]) for key in ("at_mm", "count", "mean_mm", "J")}
    noise = np.concatenate([row["noise_mm2"] for row in rows])
    ends = np.repeat([(pair.a, pair.b) for pair in pairs], counts, axis=0)
    drift_mm = drift_sd_mm(table["at_mm"], ends, drift)
    return Patches(
        centre_mm=drift.centre_mm,
        ends=ends,
        pair=np.repeat(np.arange(len(pairs)), counts),
        drift_mm=drift_mm,
        errors_mm2=drift_errors(table["at_mm"], table["J"][:, 3:], ends, drift_mm, drift.length_mm) + np.diag(noise),
        normal_variance=float(
            np.average([row["normal_variance"][0] for row in rows], weights=[len(pair.discs) for pair in pairs])
        ),
        **table,
    )


def _weights(pair: Pair, poses: Sequence[np.ndarray], least_mm: float) -> np.ndarray:
    """Weights (m,) of a pair's correspondences at these poses, by the spread of their distances."""
    even = pair.discs.even
    floor_mm = max(float(np.median(pair.discs.sd_mm[even] if even.any() else pair.discs.sd_mm)), least_mm)
    return robust_weights(distances(pair, poses)[0], floor_mm)[0]


def _of_pair(
    pair: Pair, poses: Sequence[np.ndarray], centre_mm: np.ndarray, patch_mm: float, weights: np.ndarray
) -> dict[str, np.ndarray]:
    """One pair's columns of :class:`Patches`, ``noise_mm2`` (k,): variance of the means by the points' noise, and
    ``normal_variance`` (1,)."""
    d_mm, at, normal = distances(pair, poses)
    even = pair.discs.even
    # the correspondences of a patch share a cube of space, one of 26 directions, and whether their discs are even
    cell = np.column_stack([np.floor(at / patch_mm), np.round(normal), even]).astype(np.int64)
    patch = np.unique(cell, axis=0, return_inverse=True)[1].ravel()
    count = np.bincount(patch, weights)
    keep = count > LEAST_WEIGHT

    def mean(values: np.ndarray) -> np.ndarray:
        return np.stack([np.bincount(patch, weights * column)[keep] / count[keep] for column in values.T], axis=1)

    J = np.hstack([np.cross(at - centre_mm, normal), normal])
    between = rigid.rotate(poses[pair.a], pair.discs.normal_a) - rigid.rotate(poses[pair.b], pair.discs.normal_b)
    return {
        "at_mm": mean(at),
        "count": count[keep],
        "mean_mm": mean(d_mm[:, None])[:, 0],
        "J": mean(J),
        "noise_mm2": mean(pair.discs.sd_mm[:, None] ** 2)[:, 0]
        / np.where(mean(even[:, None])[:, 0] > 0.5, count[keep], 1),
        # the mean of two normals errs by a quarter of the variance of their difference, which has two components
        "normal_variance": np.array([np.average(np.sum(between**2, axis=1), weights=weights) / 8]),
    }


def drift_sd_mm(at_mm: np.ndarray, ends: np.ndarray, drift: DriftModel) -> np.ndarray:
    """Standard deviation (k, 2) of the drift of either segment at patches: it grows from the segment's centroid.

    ``at_mm`` (k, 3) and ``ends`` (k, 2) as in :class:`Patches`.
    """
    away = np.stack([np.linalg.norm(at_mm - drift.centroids_mm[end], axis=1) for end in ends.T], axis=1)
    away = np.maximum(away, drift.patch_mm)  # drift is nowhere zero
    return away * drift.mm_per_m[ends] / 1000


def drift_errors(
    at_mm: np.ndarray, normal: np.ndarray, ends: np.ndarray, drift_mm: np.ndarray, length_mm: float
) -> np.ndarray:
    """Covariance (k, k) of the patches' distances by drift.

    The drift of a segment is a Gaussian process with three independent coordinates. Its correlation between two points
    is exp(-distance / ``length_mm``), whatever pairs the two patches belong to. A distance contains the component along
    its ``normal`` (k, 3).
    """
    correlation = np.exp(-cdist(at_mm, at_mm) / length_mm) * (normal @ normal.T)
    errors = np.zeros_like(correlation)
    for mine in range(2):
        for other in range(2):
            same = ends[:, mine][:, None] == ends[:, other][None]
            sign = 1.0 if mine == other else -1.0
            errors += sign * same * drift_mm[:, mine][:, None] * drift_mm[:, other][None] * correlation
    return errors
