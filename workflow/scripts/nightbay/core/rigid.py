"""Rigid poses as 4 x 4 matrices. ``T_a_b`` maps coordinates in frame b to frame a, in millimetres."""

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial.transform import Rotation


def pose(rotation: ArrayLike | None = None, translation_mm: ArrayLike = (0.0, 0.0, 0.0)) -> np.ndarray:
    """Build ``T_a_b``, (4, 4) float64, from a (3, 3) rotation ``R_a_b`` and b's origin in a, (3,) mm."""
    T_a_b = np.eye(4)
    if rotation is not None:
        T_a_b[:3, :3] = rotation
    T_a_b[:3, 3] = translation_mm
    return T_a_b


def invert(T_a_b: np.ndarray) -> np.ndarray:
    """``T_b_a`` from ``T_a_b``, exact for rigid poses."""
    rotation = T_a_b[:3, :3].T
    return pose(rotation, -rotation @ T_a_b[:3, 3])


def transform(T_a_b: np.ndarray, points_b: ArrayLike) -> np.ndarray:
    """Points (n, 3) of frame b in frame a, float64."""
    return np.asarray(points_b, dtype=np.float64) @ T_a_b[:3, :3].T + T_a_b[:3, 3]


def rotate(T_a_b: np.ndarray, vectors_b: ArrayLike) -> np.ndarray:
    """Directions (n, 3) of frame b in frame a, float64."""
    return np.asarray(vectors_b, dtype=np.float64) @ T_a_b[:3, :3].T


def angle_deg(T_a_b: np.ndarray) -> float:
    """Angle of the pose's rotation, degrees in 0..180."""
    return float(np.degrees(Rotation.from_matrix(T_a_b[:3, :3]).magnitude()))


def fit(points_a: ArrayLike, points_b: ArrayLike, weights: ArrayLike | None = None) -> np.ndarray:
    """Least-squares rigid ``T_a_b`` that carries points_b, (n, 3), to points_a, (n, 3); never a reflection.

    Both sets are centred before they are fitted: large coordinates cost no digits. Weights, (n,), are relative.

    Source: W. Kabsch, Acta Cryst. A32 (1976) 922, as SciPy's ``Rotation.align_vectors`` solves it.

    Raises ValueError for fewer than three points.
    """
    points_a = np.asarray(points_a, dtype=np.float64)
    points_b = np.asarray(points_b, dtype=np.float64)
    if len(points_a) < 3:
        raise ValueError(f"a rigid pose needs three points, {len(points_a)} given")
    weights = np.ones(len(points_a)) if weights is None else np.asarray(weights, dtype=np.float64)
    centre_a = np.average(points_a, axis=0, weights=weights)
    centre_b = np.average(points_b, axis=0, weights=weights)
    found, _ = Rotation.align_vectors(points_a - centre_a, points_b - centre_b, weights=weights)
    rotation = found.as_matrix()
    return pose(rotation, centre_a - rotation @ centre_b)


def cross_matrix(vectors: ArrayLike) -> np.ndarray:
    """(n, 3, 3) matrices with ``cross_matrix(a) @ b == cross(a, b)`` for (n, 3) vectors."""
    x, y, z = np.asarray(vectors).T
    zero = np.zeros_like(x)
    return np.stack([zero, -z, y, z, zero, -x, -y, x, zero], axis=1).reshape(-1, 3, 3)


def covariance_at_origin(covariance: np.ndarray, centre_mm: ArrayLike) -> np.ndarray:
    """The covariance of a small motion about ``centre_mm``, (3,), as that of a small motion about the origin.

    Both are (6, 6): rotation vector in rad, then translation in mm; or (7, 7), with the change of scale as the last
    parameter.
    """
    J = np.eye(len(covariance))
    J[3:6, :3] = cross_matrix(np.asarray(centre_mm)[None])[0]
    if len(covariance) == 7:
        J[3:6, 6] = -np.asarray(centre_mm)
    return J @ covariance @ J.T


def moved(T_a_b: np.ndarray, motion: np.ndarray, centre_mm: np.ndarray) -> np.ndarray:
    """``T_a_b`` after a small motion (6,) of frame a's space about ``centre_mm`` (3,): rotation vector in rad, then
    translation in mm."""
    rotation = Rotation.from_rotvec(motion[:3]).as_matrix()
    return pose(rotation, centre_mm - rotation @ centre_mm + motion[3:]) @ T_a_b


def displacement_sd_mm(covariance: np.ndarray, from_centre_mm: np.ndarray) -> np.ndarray:
    """Largest standard deviation in any direction, (n,) mm, of points (n, 3) that move with a pose.

    ``covariance`` (6, 6) of the small motion about the centre that the points are given from.
    """
    J = np.concatenate([-cross_matrix(from_centre_mm), np.tile(np.eye(3), (len(from_centre_mm), 1, 1))], axis=2)
    return np.sqrt(np.maximum(np.linalg.eigvalsh(J @ covariance @ J.transpose(0, 2, 1))[:, -1], 0.0))
