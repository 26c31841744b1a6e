"""What is true of a pair of scans: whether the data determine its pose, and how far off a given pose is."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation
from scipy.stats import chi2, norm

from nightbay.core import rigid
from pair_scans import DRIFT_MM_PER_M, FACING, NEAR_SPACINGS, shared

LIMIT_MM, LIMIT_DEG = 2.0, 0.1  # of a pose at a vehicle's size
LEAST_OVERLAP = 0.3  # a pair with less may be refused
STATED_SD = 4.0  # a pose further off than so many stated standard deviations is wrong
FAR_OFF_2 = float(chi2.isf(2 * norm.sf(STATED_SD), 6))  # the same chance for six coordinates together
DRIFT_LENGTH_MM = 1500.0  # of overlap_scenes.drifted at a vehicle's size
PATCHES = 400  # points of an overlap that stand for all
COMPARED = 2000  # points of a segment by which an alternative pose is assessed
AS_GOOD = 0.8  # of the true overlap: an alternative pose with as much explains the scans as well
HALF_AS_GOOD = 0.5  # with as much it may be a reason to refuse
RIVAL = 0.2  # with less it is no other pose of the overlap
# Share of points that contradict in sound registrations of simulated days, too: remaining outliers, and things seen
# through glass (config.yaml, refine.contradiction_most).
UNNOTICED = 0.01
FIXED_SD = 3.3  # standard deviations within the limits: all but one pose in a thousand, as the configuration asks for


@dataclass(frozen=True)
class Truth:
    """``middle_mm``: of the overlap, and ``far_mm``: the point of b farthest from it, both in the frame of a;
    ``limit_mm`` and ``limit_deg``: what a right pose keeps to; ``sd_mm`` and ``sd_deg``: the largest standard deviation
    of the best possible fit at the middle; ``alternatives``: poses T_a_b that the scans can't tell from the true one:
    a pair that has some is to be refused, one that is ``determined`` is to be accepted, others may be either.
    ``rivals``: overlaps, in units of the true one and largest first, of all poses that map the shape onto itself and
    contradict nowhere, :data:`RIVAL` at least.
    """

    middle_mm: np.ndarray
    far_mm: np.ndarray
    limit_mm: float
    limit_deg: float
    sd_mm: float
    sd_deg: float
    alternatives: list
    determined: bool
    rivals: tuple = ()


@dataclass(frozen=True)
class Error:
    """How far a pose is off at the overlap's middle and at b's far end, by its turn, and by its stated covariance
    (squared Mahalanobis distance); ``inside``: how many of six coordinates at the middle lie in their stated 95 %."""

    middle_mm: float
    far_mm: float
    deg: float
    distance_2: float
    inside: int
    wrong: bool
    right_basin: bool


def truth(pair):
    """The :class:`Truth` of a pair.

    It is determined where the overlap is above :data:`LEAST_OVERLAP`, :data:`FIXED_SD` standard deviations of the best
    possible fit lie within the limits, and no other pose is half as good.
    """
    overlap, rows_a, rows_b = shared(pair.a, pair.b, pair.spacing_mm)
    scan, rows = (pair.a, rows_a) if len(pair.a.true) <= len(pair.b.true) else (pair.b, rows_b)
    at = scan.true[rows] if len(rows) else pair.b.true
    middle = at.mean(axis=0)
    far = pair.b.true[np.argmax(np.linalg.norm(pair.b.true - middle, axis=1))]
    limit_mm = max(LIMIT_MM * pair.scale, 0.4 * pair.spacing_mm)
    limit_deg = LIMIT_DEG
    if pair.scale < 1:
        limit_deg = float(np.degrees(np.arctan(limit_mm / np.linalg.norm(far - middle))))
    sd_mm, sd_deg = best_sd(pair, at, scan.true_normal[rows], middle) if len(rows) > 50 else (np.inf, np.inf)
    uncontradicted = alternatives(pair, overlap, limit_mm)
    others = [pose for pose in uncontradicted if pose[1] >= HALF_AS_GOOD]
    as_good = [T_a_b for T_a_b, share in others if share >= AS_GOOD]
    fixed = FIXED_SD * sd_mm < limit_mm and FIXED_SD * sd_deg < limit_deg
    determined = bool(overlap > LEAST_OVERLAP and fixed and not others)
    to_a = rigid.invert(pair.a.T_control_segment)
    middle, far = rigid.transform(to_a, np.array([middle, far]))
    rivals = tuple(sorted((share for _, share in uncontradicted), reverse=True))
    return Truth(middle, far, limit_mm, limit_deg, float(sd_mm), float(sd_deg), as_good, determined, rivals)


def outdone(rivals):
    """Whether one of the ``rivals`` of a :class:`Truth` overlaps twice as much as the true pose and each other one."""
    return bool(rivals) and rivals[0] > max([1.0, *rivals[1:]]) / HALF_AS_GOOD


def best_sd(pair, points, normal, middle):
    """Largest standard deviations, mm at the middle and degrees, of a point-to-plane fit of the true correspondences.

    ``points``, ``normal`` (n, 3) of the overlap in the control frame. Noise of both segments is independent from point
    to point; drift is correlated as :func:`overlap_scenes.drifted` makes it.
    """
    chosen = np.linspace(0, len(points) - 1, min(PATCHES, len(points))).astype(int)
    at, n = points[chosen], normal[chosen]
    metre = max(np.linalg.norm(at - middle, axis=1).mean(), 1e-6)
    J = np.hstack([np.cross((at - middle) / metre, n), n])
    values, vectors = np.linalg.eigh(J.T @ J / len(chosen))
    if values[0] < 1e-9:
        return np.inf, np.inf
    noise = 2 * pair.noise_mm**2 * len(chosen) / len(points)
    covariance = np.diag(np.full(len(chosen), noise))
    apart = np.linalg.norm(at[:, None] - at[None], axis=2)
    for scan in (pair.a, pair.b):
        away = np.linalg.norm(at - scan.true.mean(axis=0), axis=1) / 1000 * DRIFT_MM_PER_M
        alike = np.exp(-0.5 * (apart / (DRIFT_LENGTH_MM * pair.scale)) ** 2) * (n @ n.T)
        covariance += away[:, None] * away[None] * alike
    solve = (vectors / values) @ vectors.T @ J.T / len(chosen)
    of_pose = solve @ covariance @ solve.T
    sd_turn = np.sqrt(np.linalg.eigvalsh(of_pose[:3, :3])[-1]) / metre
    return float(np.sqrt(np.linalg.eigvalsh(of_pose[3:, 3:])[-1])), float(np.degrees(sd_turn))


def alternatives(pair, overlap, limit_mm):
    """Poses T_a_b other than the true one that contradict nowhere, each with the share of the true overlap that it has,
    :data:`RIVAL` at least."""
    to_a, found = rigid.invert(pair.a.T_control_segment), []
    tree = cKDTree(pair.a.true)
    smaller = min(len(pair.a.true), len(pair.b.true))
    rows_a, rows_b = (
        np.linspace(0, len(scan.true) - 1, min(COMPARED, len(scan.true))).astype(int) for scan in (pair.a, pair.b)
    )
    for turn in pair.turns:
        at = rigid.transform(turn, pair.b.true[rows_b])
        facing = rigid.rotate(turn, pair.b.true_normal[rows_b])
        if np.linalg.norm(at - pair.b.true[rows_b], axis=1).max() < 4 * limit_mm:
            continue
        near = _near_tree(tree, pair.a.true_normal, at, facing, pair.spacing_mm)
        share = near.mean() * len(pair.b.true) / smaller / max(overlap, 1e-9)
        if share < RIVAL or near.sum() < 20:
            continue
        back = rigid.invert(turn)
        mine, normal = rigid.transform(back, pair.a.true[rows_a]), rigid.rotate(back, pair.a.true_normal[rows_a])
        both = (pair.a.walk, at, facing), (pair.b.walk, mine, normal)
        if max(_contradicting(pair, *side) for side in both) < UNNOTICED:
            found.append((to_a @ turn @ pair.b.T_control_segment, float(share)))
    return found


def _near_tree(tree, surface_normal, points, normal, spacing_mm):
    distance, nearest = tree.query(points, distance_upper_bound=NEAR_SPACINGS * spacing_mm)
    found = np.isfinite(distance)
    return found & (np.sum(surface_normal[np.where(found, nearest, 0)] * normal, axis=1) > FACING)


def _contradicting(pair, walk, points, normal):
    """Share of points, moved to where they may lie, that a walk would have noticed: off the surface by more than noise
    and drift, and in front of what it saw or just behind it."""
    drift_mm = 3 * DRIFT_MM_PER_M * pair.size_mm / 1000
    tolerance_mm = max(4 * pair.noise_mm + drift_mm, 0.2 * pair.spacing_mm)
    off = pair.caster.distance(points) > tolerance_mm
    if not off.any():
        return 0.0
    noticed = np.zeros(len(points), bool)
    rows = np.flatnonzero(off)
    for position, axis in zip(walk.position, walk.axis, strict=True):
        way = points[rows] - position
        depth = np.linalg.norm(way, axis=1)
        way /= np.maximum(depth, 1e-9)[:, None]
        hit = pair.caster.hit(position, way)
        sees = (way @ axis > np.cos(np.radians(walk.half_deg))) & np.isfinite(hit)
        noticed[rows] |= sees & (hit > depth - NEAR_SPACINGS * pair.spacing_mm)
    return float(noticed.mean())


def error(pair, true, T_a_b, covariance=None):
    """The :class:`Error` of a pose T_a_b, (4, 4), with its covariance (6, 6) about the origin of a, if it states one.

    Wrong is a pose beyond the limit at the overlap's middle or of the turn, or beyond :data:`FAR_OFF_2`: a squared
    Mahalanobis distance that six coordinates exceed as rarely as one does four standard deviations, once in 16,000.
    It lies in the right basin if it is within ten limits.
    """
    motion = np.asarray(T_a_b) @ rigid.invert(pair.T_a_b)
    turn = Rotation.from_matrix(motion[:3, :3]).as_rotvec()
    middle, far = rigid.transform(motion, [true.middle_mm, true.far_mm]) - [true.middle_mm, true.far_mm]
    off_mm, off_deg = float(np.linalg.norm(middle)), float(np.degrees(np.linalg.norm(turn)))
    distance_2, inside = 0.0, 0
    if covariance is not None:
        at_middle = rigid.covariance_at_origin(np.asarray(covariance), -true.middle_mm)
        both = np.concatenate([turn, middle])
        distance_2 = float(both @ np.linalg.lstsq(at_middle, both, rcond=None)[0])
        inside = int(np.count_nonzero(np.abs(both) < norm.isf(0.025) * np.sqrt(np.diag(at_middle))))
    over = max(off_mm / true.limit_mm, off_deg / true.limit_deg)
    wrong = bool(over > 1 or distance_2 > FAR_OFF_2)
    return Error(off_mm, float(np.linalg.norm(far)), off_deg, distance_2, inside, wrong, bool(over < 10))
