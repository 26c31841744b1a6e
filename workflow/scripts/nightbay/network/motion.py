"""Finds out when what was measured did not stay rigid: several motions between a survey and a segment.

Wheels and ground stay where the body moves on its suspension, a door is opened, a knocked part takes its targets along.
Paired targets are split by the rigid motion that they follow; the largest group is taken for the body.
"""

from dataclasses import dataclass

import numpy as np
from scipy import stats
from scipy.spatial.transform import Rotation

from nightbay.core import rigid
from nightbay.matching import consensus


@dataclass(frozen=True)
class Motion:
    """Targets that follow one motion: ``rows`` (n,) bool of the pairs, ``T_a_b``, and ``covariance`` (6, 6) of the
    small motion (rad, mm) about ``middle_mm`` (3,), the middle of its targets in frame a."""

    rows: np.ndarray
    T_a_b: np.ndarray
    covariance: np.ndarray
    middle_mm: np.ndarray


@dataclass(frozen=True)
class Shift:
    """How a group moved against the body: ``vector_mm`` (3,) and ``sd_mm`` (3,) at the group's middle, in frame a;
    ``angle_deg`` with ``angle_sd_deg``; ``p``, how often noise and drift alone would do that."""

    vector_mm: np.ndarray
    sd_mm: np.ndarray
    angle_deg: float
    angle_sd_deg: float
    p: float


def split(points_a, points_b, sd_mm, least):
    """Motions of paired points (n, 3), (n, 3), the largest first; pairs that follow none are in no group.

    ``sd_mm`` (n,): standard deviation of a coordinate of a pair's difference. A group has at least ``least`` pairs.
    """
    limit = consensus.gate()
    free = np.ones(len(points_a), bool)
    poses = []
    while free.sum() >= least:
        rows = np.flatnonzero(free)
        found = consensus.find(points_a[rows], points_b[rows], sd_mm[rows], limit, least)
        if found is None:
            break
        poses.append(found.T_a_b)
        free[rows[found.agrees]] = False
    for _ in range(5):
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
    return sorted(motions, key=lambda one: (-one.rows.sum(), int(np.argmax(one.rows))))


def _owners(points_a, points_b, sd_mm, poses, limit):
    """Which pose each pair follows best, -1 where none within the limit; an earlier, larger one keeps what fits it."""
    owner, best = np.full(len(points_a), -1), np.full(len(points_a), np.inf)
    for at, T in enumerate(poses):
        size = np.linalg.norm(rigid.transform(T, points_b) - points_a, axis=1) / sd_mm
        better = (size < limit) & (size < best)
        owner[better], best[better] = at, size[better]
    return owner


def fitted(points_a, points_b, sd_mm):
    """The :class:`Motion` that all pairs (n, 3), (n, 3) follow."""
    rows = np.ones(len(points_a), bool)
    return _motion(points_a, sd_mm, rows, rigid.fit(points_a, points_b, 1 / sd_mm**2))


def _motion(points_a, sd_mm, rows, T):
    middle = np.average(points_a[rows], axis=0, weights=1 / sd_mm[rows] ** 2)
    J = np.concatenate([-rigid.cross_matrix(points_a[rows] - middle), np.tile(np.eye(3), (rows.sum(), 1, 1))], axis=2)
    normal = np.einsum("nki,nkj,n->ij", J, J, 1 / sd_mm[rows] ** 2)
    return Motion(rows, T, np.linalg.pinv(normal, rcond=1e-14, hermitian=True), middle)


def shift(body, group, drift_mm_per_m):
    """The :class:`Shift` of a group against the body, from the first list to the second.

    Drift between their places counts as uncertainty, since it looks like motion too; twice over, since the group was
    singled out for standing apart.
    """
    T = body.T_a_b @ rigid.invert(group.T_a_b)  # where the body's pose puts what the group's pose calls x
    at = group.middle_mm
    turn = Rotation.from_matrix(T[:3, :3]).as_rotvec()
    vector = rigid.transform(T, at[None])[0] - at
    covariance = group.covariance + _about(body.covariance, body.middle_mm, at)
    apart_m = np.linalg.norm(at - body.middle_mm) / 1000
    covariance[3:, 3:] += np.eye(3) * 2 * (2 * drift_mm_per_m * apart_m) ** 2
    covariance[:3, :3] += np.eye(3) * 2 * (2 * drift_mm_per_m / 1000) ** 2
    change = np.concatenate([turn, vector])
    p = stats.chi2.sf(float(change @ np.linalg.solve(covariance, change)), 6)
    axis = turn / max(np.linalg.norm(turn), 1e-300)
    return Shift(
        vector,
        np.sqrt(np.diag(covariance)[3:]),
        float(np.degrees(np.linalg.norm(turn))),
        float(np.degrees(np.sqrt(axis @ covariance[:3, :3] @ axis))),
        float(p),
    )


def _about(covariance, middle_mm, at_mm):
    """Covariance of a small motion about another point of the same frame."""
    J = np.eye(6)
    J[3:, :3] = -rigid.cross_matrix((at_mm - middle_mm)[None])[0]
    return J @ covariance @ J.T
