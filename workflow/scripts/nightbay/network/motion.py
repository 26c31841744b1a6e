"""Splits paired targets by the rigid motion that they follow between a survey and a segment.

The body moves on its suspension while wheels and ground stay, a door is opened, or a knocked part takes its targets
along. The largest group is taken as the body.
"""

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from nightbay.core import distributions, rigid
from nightbay.core.errors import NotFound
from nightbay.matching import consensus

REASSIGNMENTS = 5  # of pairs to the motions that fit them best; few change after the second


@dataclass(frozen=True)
class Motion:
    """Targets that follow one motion: ``rows`` (n,) bool of the pairs, ``T_a_b``, and ``covariance`` (6, 6) of the
    small motion (rad, mm) about ``centroid_mm`` (3,), the centroid of its targets in frame a."""

    rows: np.ndarray
    T_a_b: np.ndarray
    covariance: np.ndarray
    centroid_mm: np.ndarray


@dataclass(frozen=True)
class Shift:
    """How a group moved against the body: ``vector_mm`` (3,) and ``sd_mm`` (3,) at the group's centroid, in frame a;
    ``angle_deg`` with ``angle_sd_deg``; ``p_value``: probability of such a shift by noise and drift alone."""

    vector_mm: np.ndarray
    sd_mm: np.ndarray
    angle_deg: float
    angle_sd_deg: float
    p_value: float


def split(points_a: np.ndarray, points_b: np.ndarray, sd_mm: np.ndarray, least: int) -> list[Motion]:
    """Motions of paired points (n, 3), (n, 3), the largest first; pairs that follow none are in no group.

    ``sd_mm`` (n,): standard deviation of a coordinate of a pair's difference. A group has at least ``least`` pairs.
    """
    limit = consensus.gate()
    free = np.ones(len(points_a), bool)
    poses: list[np.ndarray] = []
    while free.sum() >= least:
        rows = np.flatnonzero(free)
        found = consensus.find(points_a[rows], points_b[rows], sd_mm[rows], limit, least)
        if isinstance(found, NotFound):
            break
        poses.append(found.T_a_b)
        free[rows[found.agrees]] = False
    for _ in range(REASSIGNMENTS):
        owner = _owners(points_a, points_b, sd_mm, poses, limit)
        poses = [
            rigid.fit(points_a[owner == at], points_b[owner == at], 1 / sd_mm[owner == at] ** 2)
            for at in range(len(poses))
            if (owner == at).sum() >= max(least, 3)
        ]
    owner = _owners(points_a, points_b, sd_mm, poses, limit)
    motions = [
        _motion(points_a, sd_mm, owner == at, T) for at, T in enumerate(poses) if (owner == at).sum() >= max(least, 3)
    ]
    return sorted(motions, key=lambda motion: (-motion.rows.sum(), int(np.argmax(motion.rows))))


def _owners(
    points_a: np.ndarray, points_b: np.ndarray, sd_mm: np.ndarray, poses: list[np.ndarray], limit: float
) -> np.ndarray:
    """Number of the pose that each pair follows best, -1 where none within the limit."""
    owner, best = np.full(len(points_a), -1), np.full(len(points_a), np.inf)
    for at, T in enumerate(poses):
        size = np.linalg.norm(rigid.transform(T, points_b) - points_a, axis=1) / sd_mm
        better = (size < limit) & (size < best)
        owner[better], best[better] = at, size[better]
    return owner


def fit(points_a: np.ndarray, points_b: np.ndarray, sd_mm: np.ndarray) -> Motion:
    """The :class:`Motion` that all pairs (n, 3), (n, 3) follow."""
    rows = np.ones(len(points_a), bool)
    return _motion(points_a, sd_mm, rows, rigid.fit(points_a, points_b, 1 / sd_mm**2))


def _motion(points_a: np.ndarray, sd_mm: np.ndarray, rows: np.ndarray, T: np.ndarray) -> Motion:
    centroid = np.average(points_a[rows], axis=0, weights=1 / sd_mm[rows] ** 2)
    J = np.concatenate([-rigid.cross_matrix(points_a[rows] - centroid), np.tile(np.eye(3), (rows.sum(), 1, 1))], axis=2)
    normal = np.einsum("nki,nkj,n->ij", J, J, 1 / sd_mm[rows] ** 2)
    return Motion(rows, T, np.linalg.pinv(normal, rcond=1e-14, hermitian=True), centroid)


def shift(body: Motion, group: Motion, drift_mm_per_m: float) -> Shift:
    """The :class:`Shift` of a group against the body, from the first list to the second.

    Drift over their distance counts as uncertainty, since it looks like motion; its variance counts twice, since the
    group was selected for its deviation.
    """
    T = body.T_a_b @ rigid.invert(group.T_a_b)
    at = group.centroid_mm
    rotation = Rotation.from_matrix(T[:3, :3]).as_rotvec()
    vector = rigid.transform(T, at[None])[0] - at
    covariance = group.covariance + _about(body.covariance, body.centroid_mm, at)
    apart_m = np.linalg.norm(at - body.centroid_mm) / 1000
    covariance[3:, 3:] += np.eye(3) * 2 * (2 * drift_mm_per_m * apart_m) ** 2
    covariance[:3, :3] += np.eye(3) * 2 * (2 * drift_mm_per_m / 1000) ** 2
    change = np.concatenate([rotation, vector])
    p_value = distributions.chi_squared_tail(float(change @ np.linalg.solve(covariance, change)), 6)
    axis = rotation / max(np.linalg.norm(rotation), 1e-300)
    return Shift(
        vector,
        np.sqrt(np.diag(covariance)[3:]),
        float(np.degrees(np.linalg.norm(rotation))),
        float(np.degrees(np.sqrt(axis @ covariance[:3, :3] @ axis))),
        float(p_value),
    )


def _about(covariance: np.ndarray, centroid_mm: np.ndarray, at_mm: np.ndarray) -> np.ndarray:
    """Covariance of a small motion about another point of the same frame."""
    J = np.eye(6)
    J[3:, :3] = -rigid.cross_matrix((at_mm - centroid_mm)[None])[0]
    return J @ covariance @ J.T
