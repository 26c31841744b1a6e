"""How ground and wheels of each segment stand against the body: one adjustment of all that the segments saw of them.

Poses follow the body, so a body that sank shows as a floor and wheels that rose. What a segment saw of the floor is the
floor's own shape, which all segments share, plus the rise of the floor in that segment, plus the errors of the segment:
noise, its pose, its drift. Two scans of one wheel show the difference of two rises.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.spatial.distance import cdist

from nightbay.stance.floor_patches import FloorPatches

METRE = 1000.0  # slopes count at a metre
RISE_SD_MM = 50.0  # of what nothing shows: suspensions travel no further (common practice, no source)
FLOOR_LENGTH_MM = 1000.0  # over which a floor's unevenness is alike (common practice, no source)
DRIFT_LENGTH_MM = 1500.0  # over which a segment's drift is alike: the default of refine.drift_length_mm


@dataclass(frozen=True)
class SegmentErrors:
    """What a segment's points err by, besides noise: ``centroid_mm`` (3,) of its points, level frame, from which drift
    grows by ``drift_mm_per_m``; ``covariance`` (6, 6) of its pose about the origin of the level frame."""

    centroid_mm: np.ndarray
    drift_mm_per_m: float
    covariance: np.ndarray

    def heights_mm2(self, at_mm: np.ndarray) -> np.ndarray:
        """Covariance (n, n) of the errors of height at points (n, 3) of the level frame."""
        up = np.array([0.0, 0.0, 1.0])
        moves = np.column_stack([np.cross(at_mm, up), np.tile(up, (len(at_mm), 1))])
        drift = self.drift_mm_per_m * np.linalg.norm(at_mm - self.centroid_mm, axis=1) / METRE
        alike = np.exp(-cdist(at_mm, at_mm) / DRIFT_LENGTH_MM)
        return moves @ self.covariance @ moves.T + np.outer(drift, drift) * alike

    def variances_mm2(self, at_mm: np.ndarray, normals: np.ndarray) -> np.ndarray:
        """Variance (n,) of the errors along ``normals`` (n, 3) at points (n, 3) of the level frame."""
        moves = np.column_stack([np.cross(at_mm, normals), normals])
        drift = self.drift_mm_per_m * np.linalg.norm(at_mm - self.centroid_mm, axis=1) / METRE
        return np.einsum("ni,ij,nj->n", moves, self.covariance, moves) + drift**2


class WheelStep(NamedTuple):
    """A wheel that ``second`` shows higher than ``first``, two numbers of segments, by ``rise_mm`` with ``sd_mm``;
    ``at_mm`` (3,) the wheel's centre in the level frame."""

    first: int
    second: int
    at_mm: np.ndarray
    rise_mm: float
    sd_mm: float


@dataclass(frozen=True)
class GroundMotion:
    """Rise of floor and wheels in each segment of ``count``: ``rise`` (3 count,): for each its height at the origin of
    the level frame, mm, and its slopes along X and Y, mm per m, with ``covariance``. Only differences have a meaning.
    """

    count: int
    rise: np.ndarray
    covariance: np.ndarray

    def difference(self, first: int, second: int, at_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """How much higher the ground stands in ``second`` than in ``first`` at points (n, 3), (n,) mm, and its
        covariance (n, n)."""
        rows = _rows(at_mm)
        J = np.zeros((len(at_mm), 3 * self.count))
        J[:, 3 * second : 3 * second + 3] += rows
        J[:, 3 * first : 3 * first + 3] -= rows
        return J @ self.rise, J @ self.covariance @ J.T


def _rows(at_mm: np.ndarray) -> np.ndarray:
    """Derivatives (n, 3) of the height at points (n, 3) by height and slopes."""
    return np.column_stack([np.ones(len(at_mm)), at_mm[:, :2] / METRE])


def adjust(
    floors: Sequence[FloorPatches],
    steps: Sequence[WheelStep],
    errors: Sequence[SegmentErrors],
    uneven_mm: float,
    alike: Sequence[int] = (),
) -> GroundMotion:
    """The :class:`GroundMotion` of all segments.

    ``uneven_mm``: standard deviation of the floor about a plane; ``alike``: numbers of segments whose rise is taken as
    zero, because they agree.
    """
    count = len(floors)
    of_floor = np.repeat(np.arange(count), [len(own.at_mm) for own in floors])
    at_floor = np.concatenate([np.empty((0, 3)), *(own.at_mm for own in floors)])
    at_mm = np.concatenate([at_floor, *(step.at_mm[None] for step in steps)])
    observed = np.concatenate([at_floor[:, 2], [step.rise_mm for step in steps]])
    floor = np.arange(len(at_mm)) < len(at_floor)
    sign = np.zeros((count, len(at_mm)))
    sign[of_floor, np.arange(len(of_floor))] = 1.0
    for row, step in enumerate(steps, len(at_floor)):
        sign[step.second, row], sign[step.first, row] = 1.0, -1.0
    V = np.diag(np.concatenate([np.empty(0), *(own.sd_mm for own in floors), [step.sd_mm for step in steps]]) ** 2)
    V[np.ix_(floor, floor)] += uneven_mm**2 * np.exp(-cdist(at_floor[:, :2], at_floor[:, :2]) / FLOOR_LENGTH_MM)
    # the floor's own plane is not known
    J = np.zeros((len(at_mm), 3 * count + 3))
    J[floor, 3 * count :] = _rows(at_floor)
    for number, own in enumerate(errors):
        uses = np.flatnonzero(sign[number])
        if len(uses):
            s = sign[number, uses]
            V[np.ix_(uses, uses)] += np.outer(s, s) * own.heights_mm2(at_mm[uses])
            J[uses, 3 * number : 3 * number + 3] = s[:, None] * _rows(at_mm[uses])
    free = np.ones(3 * count + 3, bool)
    for number in alike:
        free[3 * number : 3 * number + 3] = False
    prior = np.full(3 * count + 3, 1.0 / RISE_SD_MM**2)
    prior[3 * count :] = 1e-8  # the control frame's zero may lie metres above the floor's
    left = np.linalg.solve(V, J[:, free]) if len(at_mm) else np.zeros((0, int(free.sum())))
    normal = J[:, free].T @ left + np.diag(prior[free])
    covariance = np.zeros((3 * count + 3, 3 * count + 3))
    covariance[np.ix_(free, free)] = np.linalg.inv(normal)
    rise = np.zeros(3 * count + 3)
    rise[free] = covariance[np.ix_(free, free)] @ (left.T @ observed)
    return GroundMotion(count, rise[: 3 * count], covariance[: 3 * count, : 3 * count])
