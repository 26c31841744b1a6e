"""Adhesive targets on a body, the control survey of all of them, and the target list that each run leaves.

Lists carry no names of targets: which entries are the same target follows from geometry, as on a real day.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

import bodies
import sight
import viewpoints as paths
from nightbay.core import rigid
from nightbay.core.native import open3d
from simulate import Scan

DIAMETER_MM = 8.0
SEEN_COS = 0.5  # a target is read up to an incidence of 60 degrees
SEEN_VIEWS = 3  # and when that many viewpoints saw it


@dataclass(frozen=True)
class Targets:
    """Targets as they truly are, vehicle frame: centres (n, 3), unit normals (n, 3), diameters (n,)."""

    xyz_mm: np.ndarray
    normals: np.ndarray
    diameter_mm: np.ndarray

    def __len__(self):
        return len(self.xyz_mm)


@dataclass(frozen=True)
class TargetList:
    """What a run or a survey recorded, shuffled, in its raw frame and unit.

    ``xyz`` (n, 3) and ``normals`` (n, 3) float64, ``diameter`` (n,) in the unit of ``xyz``; ``truth`` (n,) the number
    of the true target, -1 where there is none. A target that stands twice in the list was recorded twice.
    """

    xyz: np.ndarray
    normals: np.ndarray
    diameter: np.ndarray
    truth: np.ndarray

    def __len__(self):
        return len(self.xyz)


def targets(
    body: bodies.Body,
    spacing_mm: float,
    *,
    seed: int,
    on: Sequence[int] = (bodies.PAINT,),
    ground_spacing_mm: float | None = None,
) -> Targets:
    """Stick targets on the faces of the materials ``on``, irregularly and no nearer than ``spacing_mm`` to each other.

    ``ground_spacing_mm``: spacing of those on the floor round the body, none by default. Targets keep off edges: the
    sticker lies flat where it is.
    """
    rng = np.random.default_rng([seed, 21])
    fine = bodies.subdivide(body, sight.FACE_MM)
    placed = _scatter(fine, np.isin(fine.material, on), spacing_mm, rng)
    if ground_spacing_mm is not None:
        floor = bodies.subdivide(bodies.ground(body.bounds_mm, 350.0), sight.FACE_MM)
        xyz, normal = _scatter(floor, np.ones(len(floor.faces), bool), ground_spacing_mm, rng)
        low, high = body.bounds_mm[:, :2] + [[-60.0, -60.0], [60.0, 60.0]]
        beside = np.any((xyz[:, :2] < low) | (xyz[:, :2] > high), axis=1)
        placed = [np.concatenate(pair) for pair in zip(placed, (xyz[beside], normal[beside]), strict=True)]
    return Targets(*placed, np.full(len(placed[0]), DIAMETER_MM))


def _scatter(body, allowed, spacing_mm, rng):
    """Random places on the allowed faces with a least distance, and their normals."""
    a, ab, ac, normal, area = bodies.geometry(body)
    share = np.where(allowed, area, 0.0)
    tries = int(20 * share.sum() / spacing_mm**2) + 1
    face = rng.choice(len(area), tries, p=share / share.sum())
    u, v = rng.random((2, tries))
    u, v = np.where(u + v > 1, 1 - u, u), np.where(u + v > 1, 1 - v, v)
    place = a[face] + u[:, None] * ab[face] + v[:, None] * ac[face]
    flat = _flat(body, place, normal[face])
    place, face = place[flat], face[flat]
    near = cKDTree(place).query_ball_point(place, spacing_mm)
    free, chosen = np.ones(len(place), bool), []
    for row, others in enumerate(near):
        if free[row]:
            chosen.append(row)
            free[others] = False
    return place[chosen], normal[face[chosen]]


def _flat(body, place, normal):
    """Whether a sticker lies flat: the surface is within 0.5 mm of its rim all round, and a corner's width beyond."""
    side = np.cross(normal, np.where(np.abs(normal[:, :1]) < 0.9, [[1.0, 0, 0]], [[0, 1.0, 0]]))
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    other = np.cross(normal, side)
    caster, flat = paths.caster(body), np.ones(len(place), bool)
    for angle in np.linspace(0, 2 * np.pi, 6, endpoint=False):
        rim = place + DIAMETER_MM * 0.75 * (np.cos(angle) * side + np.sin(angle) * other)
        flat &= caster.compute_distance(open3d().core.Tensor(rim.astype(np.float32))).numpy() < 0.5
    return flat


def survey(
    true: Targets,
    *,
    seed: int,
    noise_mm: float,
    drift_mm_per_m: float = 0.0,
    spurious: float = 0.0,
    missing: float = 0.0,
    doubled: int = 0,
    duplicate_mm: float = 2.5,
    T_vehicle_control: np.ndarray,
) -> TargetList:
    """The control survey: one walk round the vehicle that records the targets only, in the control frame, mm.

    ``spurious`` and ``missing``: shares of the true targets; ``doubled``: how many are recorded a second time, about
    ``duplicate_mm`` beside, as when a drifting walk comes back to where it began.
    """
    rng = np.random.default_rng([seed, 22])
    middle = true.xyz_mm.mean(axis=0)
    around = np.arctan2(true.xyz_mm[:, 1] - middle[1], true.xyz_mm[:, 0] - middle[0])
    start = true.xyz_mm[np.argmin(around)]
    shift = _loop(around, np.linalg.norm(true.xyz_mm - start, axis=1), drift_mm_per_m, rng)
    twice = rng.choice(len(true), doubled, replace=False)
    number = np.concatenate([np.arange(len(true)), twice])
    xyz = (true.xyz_mm + shift)[number]
    away = rng.normal(0, 1, (doubled, 3))
    xyz[len(true) :] += duplicate_mm * away / np.linalg.norm(away, axis=1, keepdims=True)
    return _record(true, number, xyz, T_vehicle_control, 1.0, noise_mm, spurious, missing, rng)


def _loop(around_rad, reach_mm, drift_mm_per_m, rng):
    """Drift of a walk round the vehicle, (n, 3) mm: smooth, growing with the distance from its start."""
    wave = np.arange(1, 4)[:, None] * around_rad / 2 + rng.uniform(0, 2 * np.pi, (3, 1))
    smooth = np.einsum("wk,wn->nk", rng.normal(0, 1, (3, 3)), np.sin(wave)) * np.sqrt(2 / 3 / 3)
    return drift_mm_per_m * reach_mm[:, None] / 1000 * smooth


def target_list(
    scan: Scan,
    true: Targets,
    *,
    seed: int,
    noise_mm: float,
    spurious: float = 0.0,
    missing: float = 0.0,
    moved: Sequence[int] | np.ndarray = (),
    moved_mm: float = 4.0,
    only: np.ndarray | None = None,
) -> TargetList:
    """The targets that ``scan`` saw, in its raw frame and unit, with the same drift as its points.

    ``moved``: numbers of targets that were knocked ``moved_mm`` aside since the survey. ``only``: numbers of the
    targets that may be seen at all.
    """
    rng = np.random.default_rng([seed, 23])
    place = true.xyz_mm.copy()
    if len(moved):
        away = np.cross(rng.normal(0, 1, (len(moved), 3)), true.normals[moved])
        place[moved] += moved_mm * away / np.linalg.norm(away, axis=1, keepdims=True)
    number, xyz = [], []
    for at in range(len(true)) if only is None else only:
        views = _seeing(scan, place[at], true.normals[at])
        if len(views) >= SEEN_VIEWS:
            number.append(at)
            xyz.append(scan.drifted(np.repeat(place[at : at + 1], len(views), axis=0), views, slips=False).mean(axis=0))
    return _record(
        true,
        np.array(number, np.int64),
        np.array(xyz).reshape(-1, 3),
        scan.T_vehicle_segment,
        scan.unit_mm,
        noise_mm,
        spurious,
        missing,
        rng,
    )


def shuffled(lists: Sequence[TargetList], truths: Sequence[np.ndarray], *, seed: int) -> TargetList:
    """Several lists as one in a new order; ``truths`` holds the true target of each entry."""
    order = np.random.default_rng([seed, 24]).permutation(sum(len(recorded) for recorded in lists))
    columns = ([getattr(recorded, name) for recorded in lists] for name in ("xyz", "normals", "diameter"))
    return TargetList(*(np.concatenate(column)[order] for column in [*columns, truths]))


def _seeing(scan, xyz_mm, normal):
    """Numbers of the viewpoints that read the target."""
    near = np.flatnonzero(np.linalg.norm(scan.views.position_mm - xyz_mm, axis=1) < sight.DEEPEST_MM)
    place = np.repeat(xyz_mm[None], len(near), axis=0)
    beam, cosine, fit = sight.in_view(scan.views, near, place, normal[None])
    views = near[fit & (cosine > SEEN_COS) & (beam @ normal < 0)]
    return views[sight.seen(scan.caster, scan.views.position_mm[views], place[: len(views)])]


def _record(true, number, xyz_mm, T_vehicle_raw, unit_mm, noise_mm, spurious, missing, rng):
    """Add noise, leave some out, add some that are none, turn into the raw frame, shuffle."""
    keep = rng.random(len(number)) >= missing
    number, xyz_mm = number[keep], xyz_mm[keep] + rng.normal(0, noise_mm, (keep.sum(), 3))
    normal = true.normals[number]
    false = round(spurious * len(number))
    if false:
        # reflections and bright screws: near the surface, most of them not on it
        like = rng.choice(number, false)
        offset = rng.normal(0, 60.0, (false, 3)) + np.abs(rng.normal(0, 15.0, (false, 1))) * true.normals[like]
        xyz_mm = np.concatenate([xyz_mm, true.xyz_mm[like] + offset])
        normal = np.concatenate([normal, true.normals[like] + rng.normal(0, 0.2, (false, 3))])
        number = np.concatenate([number, np.full(false, -1)])
    normal = normal + rng.normal(0, np.radians(1.0), normal.shape)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    order = rng.permutation(len(number))
    T_raw_vehicle = rigid.invert(T_vehicle_raw)
    return TargetList(
        rigid.transform(T_raw_vehicle, xyz_mm[order]) / unit_mm,
        rigid.rotate(T_raw_vehicle, normal[order]),
        (DIAMETER_MM + rng.normal(0, 0.05, len(order))) / unit_mm,
        number[order],
    )
