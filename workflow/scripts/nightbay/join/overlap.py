"""Surface that both parts saw: aligned by point-to-plane steps, averaged in patches, fitted with correlated errors.

Exterior and interior see opposite sides of the body; both saw the same side only at apertures, sills and pillars. So
points are compared only where their normals agree.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightbay.core import rigid, robust
from nightbay.core.errors import NotFound
from nightbay.join import pose_fit
from nightbay.join.skin import Skin

SAME_FACING = 0.9  # cosine of 26 degrees: the normal of one point near an edge is that rough
PARTNERS = 6  # points of the exterior that are averaged for one of the interior
PARTNER_SPACINGS = 2.0  # how far off they may lie: a disc that holds a dozen
GATES_MM = (60.0, 60.0, 40.0, 40.0, 25.0, 25.0, 15.0, 15.0, 10.0, 10.0)  # largest distance to a partner, step by step
SETTLED_MM = 1e-4  # a step that moves no patch by more than that is the last one
STEPS = 15
LEAST_POINTS = 30  # of a motion: five times its degrees of freedom
FOLDS = 5


@dataclass(frozen=True)
class Contacts:
    """Points of the interior on surface that the exterior saw too, vehicle frame.

    ``row`` (m,) of the interior's skin; ``at_mm`` and ``normal`` (m, 3); ``offset_mm`` (m,): how far the point lies
    outside of the exterior's surface, along the normal.
    """

    row: np.ndarray
    at_mm: np.ndarray
    normal: np.ndarray
    offset_mm: np.ndarray


@dataclass(frozen=True)
class Patches:
    """Contacts averaged in cubes of space and directions: ``at_mm`` and ``normal`` (k, 3), ``offset_mm`` and
    ``noise_mm2`` (k,), the mean and its variance by the points' noise; ``count`` (k,) points."""

    at_mm: np.ndarray
    normal: np.ndarray
    offset_mm: np.ndarray
    noise_mm2: np.ndarray
    count: np.ndarray


@dataclass(frozen=True)
class OverlapFit:
    """A pose by surfaces: ``T_a_b`` (4, 4) and its ``motion``, the covariance scaled by ``variance_factor`` >= 1.

    ``patches``; ``area_mm2`` of the surface compared; ``withheld_rms_mm``: of patches that a fit without them predicts,
    and what is expected of it.
    """

    T_a_b: np.ndarray
    motion: pose_fit.Motion
    patches: Patches
    area_mm2: float
    variance_factor: float
    withheld_rms_mm: float
    expected_rms_mm: float


def contacts(a: Skin, b: Skin, T_a_b: np.ndarray, gate_mm: float, rows: np.ndarray | slice = slice(None)) -> Contacts:
    """The :class:`Contacts` of b's points, ``rows`` of them, with a's surface within ``gate_mm``."""
    at, facing = rigid.transform(T_a_b, b.points_mm[rows]), rigid.rotate(T_a_b, b.normals[rows])
    _, nearest = a.tree.query(at, distance_upper_bound=gate_mm)
    found = np.flatnonzero(nearest < len(a.points_mm))
    found = found[np.sum(facing[found] * a.normals[nearest[found]], axis=1) > SAME_FACING]
    at, facing, nearest = at[found], facing[found], nearest[found]
    reach = PARTNER_SPACINGS * a.spacing_mm
    _, partner = a.tree.query(a.points_mm[nearest], k=PARTNERS, distance_upper_bound=reach)
    partner = np.where(partner < len(a.points_mm), partner, nearest[:, None]).reshape(len(found), PARTNERS)
    same = np.einsum("mkj,mj->mk", a.normals[partner], facing) > SAME_FACING
    weight = np.where(same, 1.0, 1e-9)[..., None]
    normal = (a.normals[partner] * weight).sum(axis=1)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    middle = (a.points_mm[partner] * weight).sum(axis=1) / weight.sum(axis=1)
    rows = np.arange(len(b.points_mm))[rows] if isinstance(rows, slice) else rows
    return Contacts(rows[found], at, normal, np.sum((at - middle) * normal, axis=1))


def align(a: Skin, b: Skin, T_a_b: np.ndarray, gates_mm: Sequence[float] = GATES_MM) -> np.ndarray:
    """``T_a_b`` (4, 4) after point-to-plane steps with a gate that shrinks (Y. Chen, G. Medioni, Image and Vision
    Computing 10 (1992) 145). What the surfaces leave open stays as it was."""
    for gate in gates_mm:
        found = contacts(a, b, T_a_b, gate)
        if len(found.row) < LEAST_POINTS:
            return T_a_b
        centre = found.at_mm.mean(axis=0)
        scale = np.array([1e-3] * 3 + [1.0] * 3)
        J = pose_fit.rows(found.at_mm, found.normal, centre) * scale
        weight = _weights(found.offset_mm, a.noise_mm)
        normal = J.T @ (J * weight[:, None])
        step = -np.linalg.lstsq(normal, J.T @ (weight * found.offset_mm), rcond=1e-5)[0] * scale
        T_a_b = rigid.moved(T_a_b, step, centre)
    return T_a_b


def _weights(offset_mm: np.ndarray, noise_mm: float) -> np.ndarray:
    """Tukey's weights of offsets by their own spread about zero and their median."""
    median = np.median(offset_mm)
    sd = max(robust.MAD_TO_SD * float(np.median(np.abs(offset_mm - median))), noise_mm)
    return robust.tukey(offset_mm, robust.TUKEY_SD * np.hypot(sd, median))


def patches(found: Contacts, weight: np.ndarray, patch_mm: float, noise_mm: float) -> Patches:
    """Contacts averaged in cubes of ``patch_mm`` and 26 directions; ``weight`` (m,), ``noise_mm`` of one offset."""
    key = np.column_stack([np.floor(found.at_mm / patch_mm), np.round(found.normal)]).astype(np.int64)
    patch = np.unique(key, axis=0, return_inverse=True)[1].ravel()
    count = np.bincount(patch, weight)
    keep = count > 1.0

    def mean(values: np.ndarray) -> np.ndarray:
        return np.stack([np.bincount(patch, weight * column)[keep] / count[keep] for column in values.T], axis=1)

    normal = mean(found.normal)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    return Patches(
        mean(found.at_mm), normal, mean(found.offset_mm[:, None])[:, 0], noise_mm**2 / count[keep], count[keep]
    )


def errors(a: Skin, b: Skin, T_a_b: np.ndarray, found: Patches) -> np.ndarray:
    """Covariance (k, k), mm2, of the patches' offsets: noise, and the distortions of both parts."""
    at_b = rigid.transform(rigid.invert(T_a_b), found.at_mm)
    drift = (a.distortion(found.at_mm) + b.distortion(at_b)) * (found.normal @ found.normal.T)
    return drift + np.diag(found.noise_mm2)


def fit(a: Skin, b: Skin, start_a_b: np.ndarray, patch_mm: float) -> OverlapFit | NotFound:
    """The :class:`OverlapFit` from a start that is right to a few millimetres."""
    T_a_b, gate = start_a_b, GATES_MM[-1]
    for step in range(STEPS):
        found = contacts(a, b, T_a_b, gate)
        if len(found.row) < LEAST_POINTS:
            return NotFound("exterior and interior share next to no surface")
        weight = _weights(found.offset_mm, a.noise_mm)
        noise = max(robust.MAD_TO_SD * float(np.median(np.abs(found.offset_mm))), a.noise_mm)
        mean = patches(found, weight, patch_mm, noise)
        covariance = errors(a, b, T_a_b, mean)
        centre = np.average(mean.at_mm, axis=0, weights=mean.count)
        J = pose_fit.rows(mean.at_mm, mean.normal, centre)
        group = np.arange(len(J)) * FOLDS // max(len(J), 1)
        motion = pose_fit.fit(J, mean.offset_mm, covariance, group, centre) if len(J) else None
        if motion is None:
            return NotFound("the surface that exterior and interior share does not determine all six directions")
        T_a_b = motion.applied_to(T_a_b)
        if step == STEPS - 1 or np.abs(J @ motion.change).max() < SETTLED_MM:
            break
    assert motion is not None
    area_mm2 = len(found.row) * b.spacing_mm**2
    return _tested(T_a_b, motion, mean, area_mm2)


def _tested(T_a_b: np.ndarray, motion: pose_fit.Motion, mean: Patches, area_mm2: float) -> OverlapFit:
    """The fit with its tests on what was left out."""
    expected = float(np.sqrt(np.mean(np.diag(motion.predicted_mm2))))
    rms = float(np.sqrt(np.mean(motion.predicted_mm**2)))
    factor = max(1.0, (rms / expected) ** 2)
    scaled = pose_fit.Motion(
        motion.centre_mm, motion.change, motion.covariance * factor, motion.predicted_mm, motion.predicted_mm2
    )
    return OverlapFit(T_a_b, scaled, mean, area_mm2, factor, rms, expected)
