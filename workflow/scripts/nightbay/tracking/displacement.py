"""How far a small motion displaces points, and how surely that is known, in the parameters of :class:`links.Links`."""

import numpy as np

from nightbay.core import rigid
from nightbay.tracking.links import LEVER_MM


def rms_mm(step: np.ndarray, from_centre_mm: np.ndarray) -> float:
    """Root mean square displacement of points (n, 3) by a small motion (6,)."""
    moved = np.cross(step[:3] / LEVER_MM, from_centre_mm) + step[3:]
    return float(np.sqrt(np.mean(np.sum(moved**2, axis=1))))


def covariance_at(from_centre_mm: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    """Covariance (n, 3, 3) of the displacement of points (n, 3) by a motion with the covariance (6, 6)."""
    shift = np.tile(np.eye(3), (len(from_centre_mm), 1, 1))
    J = np.concatenate([-rigid.cross_matrix(from_centre_mm) / LEVER_MM, shift], axis=2)
    return J @ covariance @ J.transpose(0, 2, 1)


def sd_along(vector: np.ndarray, covariance: np.ndarray) -> float:
    """Standard deviation of a vector, (3,), along itself."""
    unit = vector / max(float(np.linalg.norm(vector)), 1e-12)
    return float(np.sqrt(unit @ covariance @ unit))
