"""How a wheel that two segments scanned stands in the later of them against the other: both surfaces are matched."""

from typing import NamedTuple

import numpy as np
from scipy.spatial import cKDTree

from nightbay.core import rigid, robust

GATES_MM = (25.0, 12.0, 6.0, 6.0, 6.0)  # largest distance to a partner, by step
ALIKE = 0.8  # least cosine between the normals of partners
LEAST_PAIRS = 120  # for five unknowns (common practice, no source)
SECTORS, RINGS = 12, 2  # blocks of the wheel whose errors count as independent
# What the surfaces do not show stays: a wheel may have moved about so far, and turned (a guess of ours).
SHIFT_SD_MM, TURN_SD_RAD = 20.0, np.radians(2.0)
LEAST_SD_MM = 0.02  # of a point's distance, for points without noise
SAMPLE = 6000  # points of a wheel: enough for a hundredth of a millimetre
METRE = 1000.0


class WheelMotion(NamedTuple):
    """``motion`` (5,) of the wheel in the second segment against the first: shift along X, Y, Z mm, turns about X and Z
    rad, with ``covariance`` (5, 5); ``apart_mm``: median distance of the two surfaces before it."""

    motion: np.ndarray
    covariance: np.ndarray
    apart_mm: float


def between(
    first: tuple[np.ndarray, np.ndarray], second: tuple[np.ndarray, np.ndarray], centre_mm: np.ndarray
) -> WheelMotion | None:
    """The :class:`WheelMotion`; None where the segments have too little of the wheel in common.

    ``first``, ``second``: points (n, 3) and unit normals (n, 3) of the wheel; ``centre_mm`` (3,), about which it turns.
    """
    tree = cKDTree(first[0])
    chosen = slice(None, None, max(1, len(second[0]) // SAMPLE))
    points, normals = second[0][chosen], second[1][chosen]
    motion, apart_mm = np.zeros(5), 0.0
    prior = np.diag(1.0 / np.array([SHIFT_SD_MM] * 3 + [TURN_SD_RAD * METRE] * 2) ** 2)
    for number, gate in enumerate(GATES_MM):
        # carried back by the motion, the second lies on the first
        turn = np.array([motion[3], 0.0, motion[4]]) / METRE
        T = rigid.moved(np.eye(4), -np.append(turn, motion[:3]), centre_mm)
        at, facing = rigid.transform(T, points), rigid.rotate(T, normals)
        distance, nearest = tree.query(at, distance_upper_bound=gate)
        rows = np.flatnonzero(np.isfinite(distance))
        rows = rows[np.sum(facing[rows] * first[1][nearest[rows]], axis=1) > ALIKE]
        if len(rows) < LEAST_PAIRS:
            return None
        normal = facing[rows] + first[1][nearest[rows]]
        normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        apart = np.sum(normal * (at[rows] - first[0][nearest[rows]]), axis=1)
        off = at[rows] - centre_mm
        J = np.column_stack([normal, np.cross(off, normal)[:, [0, 2]] / METRE])
        if number == 0:
            apart_mm = float(np.median(np.abs(apart)))
        spread = robust.MAD_TO_SD * float(np.median(np.abs(apart - np.median(apart))))
        if number == len(GATES_MM) - 1:
            spread = robust.MAD_TO_SD * float(np.median(np.abs(apart)))
        sd = max(spread, LEAST_SD_MM)
        weights = robust.tukey(apart, robust.TUKEY_SD * sd) if number > 1 else np.ones(len(apart))
        weighted = J * (weights / sd**2)[:, None]
        inverse = np.linalg.inv(weighted.T @ J + prior)
        motion = motion + inverse @ (weighted.T @ apart - prior @ motion)
    left = apart - J @ (inverse @ (weighted.T @ apart))
    covariance = _sandwich(J, weights / sd**2, left, inverse, _blocks(off)) + inverse
    scale = np.array([1.0, 1.0, 1.0, 1.0 / METRE, 1.0 / METRE])
    return WheelMotion(motion * scale, covariance * np.outer(scale, scale), apart_mm)


def _blocks(off_mm: np.ndarray) -> np.ndarray:
    """Number (n,) of the block of the wheel that a point, (n, 3) from the centre, lies in."""
    angle = np.arctan2(off_mm[:, 2], off_mm[:, 0])
    reach = np.hypot(off_mm[:, 0], off_mm[:, 2])
    sector = np.minimum(((angle + np.pi) * (SECTORS / (2 * np.pi))).astype(np.int64), SECTORS - 1)
    return sector * RINGS + (reach > np.median(reach))


def _sandwich(
    J: np.ndarray, weights: np.ndarray, left: np.ndarray, inverse: np.ndarray, block: np.ndarray
) -> np.ndarray:
    """Covariance of a weighted fit whose errors are alike inside blocks.

    Source of the estimator: K.-Y. Liang, S. Zeger, Biometrika 73 (1986) 13.
    """
    scores = np.zeros((SECTORS * RINGS, J.shape[1]))
    np.add.at(scores, block, J * (weights * left)[:, None])
    used = int(np.count_nonzero(np.bincount(block, minlength=len(scores))))
    return inverse @ (scores.T @ scores) @ inverse * (used / max(used - 1, 1))
