"""Robust registration of points to a surface: what changed between the two does not pull the pose."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from nightbay.comparison.deviation import ALIKE
from nightbay.core import rigid, robust

BLOCKS = 12  # parts of the surface that are left out in turn for the covariance (jackknife)
# The residuals within 6 median absolute deviations, about four standard deviations, count: what changed does not.
CORE_MAD = 6.0
LEAST_MM = 0.05  # no narrower: finer than any scanner's noise on a whole vehicle
ASIDE = 1.5  # how many spacings a partner may lie beside the point (common practice, no source)
STEPS, TURN_RAD, SHIFT_MM = 20, 1e-6, 1e-3  # a fit ends where the pose moves by less
SETTLING = 3  # fits in which the width of the core settles with the pose
LEAST_PAIRS = 50  # for six unknowns (common practice, no source)
MOST_CONDITION = 1e8  # of the normal equations, whose columns have unit length: beyond it, a direction is undetermined
ALL = (True,) * 6


@dataclass(frozen=True)
class Sheet:
    """Points (n, 3) mm of a surface with unit ``normals`` (n, 3), about ``spacing_mm`` apart."""

    points_mm: np.ndarray
    normals: np.ndarray
    spacing_mm: float


@dataclass(frozen=True)
class Fit:
    """A pose that carries points to the surface.

    ``T_target_points`` (4, 4); ``covariance`` (6, 6) of the small motion about the origin of the target's frame
    (rotation vector rad, translation mm); ``share`` of the points within ``core_mm`` of the surface, those that hold
    the pose; ``near`` of the points within the first reach; ``sd_mm``: robust standard deviation of those.
    """

    T_target_points: np.ndarray
    covariance: np.ndarray
    share: float
    near: float
    core_mm: float
    sd_mm: float


def fit(
    moving: Sheet,
    target: Sheet,
    reaches_mm: Sequence[float],
    T_start: np.ndarray | None = None,
    free: Sequence[bool] = ALL,
    threads: int = 1,
) -> Fit | None:
    """The :class:`Fit` of ``moving`` to ``target``; None where their shapes do not determine it.

    ``reaches_mm``, falling: distances within which a partner counts; after the last, the limit is :data:`CORE_MAD` of
    the residuals. ``free`` (6,): which of the rotations about and translations along the target's axes are fitted.

    Robust iterative closest points with the distance along the normal (Y. Chen, G. Medioni, Image and Vision Computing
    10 (1992) 145).
    """
    T = np.eye(4) if T_start is None else np.array(T_start, np.float64)
    pairing = Pairing(moving, target, free, threads)
    residuals = np.empty(0)
    for reach_mm in reaches_mm:
        rough = pairing.converge(T, reach_mm)
        if rough is None:
            return None
        T, residuals = rough.T, rough.residuals
    for _ in range(SETTLING):
        core_mm = min(max(CORE_MAD * float(np.median(np.abs(residuals))), LEAST_MM), reaches_mm[-1])
        found = pairing.converge(T, reaches_mm[-1], core_mm)
        if found is None:
            return None
        T, residuals = found.T, found.residuals
        covariance = np.zeros((6, 6))
        covariance[np.ix_(pairing.free, pairing.free)] = found.step.covariance
    size = np.abs(residuals)
    return Fit(
        T_target_points=T,
        covariance=rigid.covariance_at_origin(covariance, pairing.centre),
        share=float(np.count_nonzero(size < core_mm) / len(moving.points_mm)),
        near=float(len(size) / len(moving.points_mm)),
        core_mm=core_mm,
        sd_mm=float(robust.MAD_TO_SD * np.median(size)),
    )


@dataclass(frozen=True)
class _State:
    T: np.ndarray
    residuals: np.ndarray
    step: robust.Step


class Pairing:
    """Points and their partners on the target; small motions are about the target's middle, ``centre`` (3,)."""

    def __init__(self, moving: Sheet, target: Sheet, free: Sequence[bool] = ALL, threads: int = 1) -> None:
        self.moving, self.target, self.threads = moving, target, threads
        self.free, self.centre = np.flatnonzero(free), target.points_mm.mean(axis=0)
        self.tree = cKDTree(target.points_mm)
        off = moving.points_mm - moving.points_mm.mean(axis=0)
        self.block = robust.blocks_along(off @ np.linalg.eigh(off.T @ off)[1][:, -1], BLOCKS)
        self.aside_mm = ASIDE * max(moving.spacing_mm, target.spacing_mm)

    def converge(self, T: np.ndarray, reach_mm: float, limit_mm: float | None = None) -> _State | None:
        """The pose from pairs within ``reach_mm``, weighted to zero at ``limit_mm``, the reach unless given."""
        for _ in range(STEPS):
            rows, placed, facing, residuals = self.pairs(T, reach_mm)
            if len(rows) < LEAST_PAIRS:
                return None
            jacobian = np.concatenate([np.cross(placed - self.centre, facing), facing], axis=1)[:, self.free]
            step = robust.step(jacobian, residuals, limit_mm or reach_mm, self.block[rows])
            if step.condition > MOST_CONDITION:
                return None
            motion = np.zeros(6)
            motion[self.free] = step.change
            T = rigid.moved(T, motion, self.centre)
            if np.linalg.norm(motion[:3]) < TURN_RAD and np.linalg.norm(motion[3:]) < SHIFT_MM:
                break
        return _State(T, self.pairs(T, reach_mm)[3], step)

    def pairs(self, T: np.ndarray, reach_mm: float) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Rows of the points that have a partner, where they are placed, the partner's normal, and the distance."""
        placed = rigid.transform(T, self.moving.points_mm)
        most = float(np.hypot(reach_mm, self.aside_mm))
        distance, partner = self.tree.query(placed, distance_upper_bound=most, workers=self.threads)
        rows = np.flatnonzero(np.isfinite(distance))
        facing = self.target.normals[partner[rows]]
        alike = np.einsum("ij,ij->i", rigid.rotate(T, self.moving.normals[rows]), facing) > ALIKE
        rows, facing = rows[alike], facing[alike]
        along = np.einsum("ij,ij->i", placed[rows] - self.target.points_mm[partner[rows]], facing)
        near = np.abs(along) <= reach_mm
        return rows[near], placed[rows[near]], facing[near], along[near]
