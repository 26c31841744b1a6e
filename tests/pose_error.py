"""The error of a pose against the truth, and what its covariance says of it."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation
from scipy.stats import norm

from nightbay.core import rigid

INSIDE_SD = norm.isf(0.025)  # 95 % of a normal error


@dataclass(frozen=True)
class PoseError:
    """Error of a pose at a point: ``mm`` and ``deg``; ``sds`` (6,): its coordinates, rotation first, each in units of
    its standard deviation; ``distance_2``: squared Mahalanobis distance of all six."""

    mm: float
    deg: float
    sds: np.ndarray
    distance_2: float

    @property
    def inside(self) -> int:
        """Coordinates of the six that lie in their stated 95 %."""
        return int(np.count_nonzero(np.abs(self.sds) < INSIDE_SD))


def pose_error(T_found: np.ndarray, T_true: np.ndarray, covariance: np.ndarray, middle_mm: np.ndarray) -> PoseError:
    """The :class:`PoseError` of ``T_a_b`` (4, 4) at ``middle_mm`` (3,), frame b.

    ``covariance`` (6, 6): of the small motion about the origin of a, rotation vector in rad, then translation in mm.
    """
    off = T_found @ rigid.invert(T_true)
    middle = rigid.transform(T_true, middle_mm[None])[0]
    turn = Rotation.from_matrix(off[:3, :3]).as_rotvec()
    error = np.concatenate([turn, rigid.transform(off, middle[None])[0] - middle])
    at_middle = rigid.covariance_at_origin(covariance, -middle)
    return PoseError(
        float(np.linalg.norm(error[3:])),
        float(np.degrees(np.linalg.norm(turn))),
        error / np.sqrt(np.diag(at_middle)),
        float(error @ np.linalg.solve(at_middle, error)),
    )
