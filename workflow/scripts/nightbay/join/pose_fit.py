"""A rigid pose from linear observations with correlated errors, and predictions of those that were left out."""

from dataclasses import dataclass

import numpy as np

from nightbay.core import rigid


@dataclass(frozen=True)
class Motion:
    """A small motion about ``centre_mm`` (3,) that reduces the distances of observations.

    ``change`` (6,): rotation vector (rad), translation (mm); ``covariance`` (6, 6) of it; ``predicted_mm`` (m,):
    distance that remains of each observation after a fit without its group; ``predicted_mm2`` (m, m): the expected
    covariance of those.
    """

    centre_mm: np.ndarray
    change: np.ndarray
    covariance: np.ndarray
    predicted_mm: np.ndarray
    predicted_mm2: np.ndarray

    def applied_to(self, T_a_b: np.ndarray) -> np.ndarray:
        """``T_a_b``, (4, 4), moved."""
        return rigid.moved(T_a_b, self.change, self.centre_mm)

    def sd_at(self, at_mm: np.ndarray) -> np.ndarray:
        """Largest standard deviation in any direction, (k,) mm, of points (k, 3) that move along."""
        return rigid.displacement_sd_mm(self.covariance, at_mm - self.centre_mm)


def rows(at_mm: np.ndarray, directions: np.ndarray, centre_mm: np.ndarray) -> np.ndarray:
    """(m, 6): how a small motion about ``centre_mm`` changes the coordinates along ``directions`` (m, 3) at (m, 3)."""
    return np.hstack([np.cross(at_mm - centre_mm, directions), directions])


def fit(
    J: np.ndarray, distance_mm: np.ndarray, errors_mm2: np.ndarray, group: np.ndarray, centre_mm: np.ndarray
) -> Motion | None:
    """The :class:`Motion` that reduces ``distance_mm`` (m,) best; None where the observations leave a motion open.

    ``J`` (m, 6): change of the distances by a motion about ``centre_mm``; ``errors_mm2`` (m, m): their covariance, by
    the diagonal of which they are weighted; ``group`` (m,) int from 0: observations that are left out together.
    """
    weight = 1.0 / np.diag(errors_mm2)
    solve = _solver(J, weight)
    if solve is None:
        return None
    predict = np.zeros((len(J), len(J)))
    for number in range(int(group.max()) + 1):
        mine = group == number
        without = _solver(J, np.where(mine, 0.0, weight))
        if without is None:
            return None
        predict[mine] = np.eye(len(J))[mine] - J[mine] @ without
    change = -solve @ distance_mm
    return Motion(
        centre_mm,
        change,
        solve @ errors_mm2 @ solve.T,
        predict @ distance_mm,
        predict @ errors_mm2 @ predict.T,
    )


# The least singular value, as a share of the greatest, of a matrix in metres and radians that determines a motion: a
# hundredth means that one direction is known a hundred times worse than the best.
DETERMINED = 1e-3


def _solver(J: np.ndarray, weight: np.ndarray) -> np.ndarray | None:
    """(6, m): weighted least squares from distances to a motion; None where a motion is left open."""
    scale = np.array([1e-3] * 3 + [1.0] * 3)
    scaled = J * scale * np.sqrt(weight)[:, None]
    U, values, V = np.linalg.svd(scaled, full_matrices=False)
    if len(J) < 6 or values[-1] < DETERMINED * values[0]:
        return None
    return scale[:, None] * ((V.T / values) @ U.T) * np.sqrt(weight)
