"""Invented holes, mounts and hubs along a vehicle's side, scanned by segments whose poses and drift are wrong."""

from dataclasses import dataclass, replace
from types import SimpleNamespace

import numpy as np
from scipy.spatial.transform import Rotation

import networks
import part_results
from nightbay.clouds import cloud
from nightbay.clouds.posed_segment import PosedSegment
from nightbay.core import rigid
from nightbay.features.features import Part
from nightbay.features.relations import Context
from nightbay.frame.result import Bounds
from nightbay.pipeline import typed
from nightbay.refine.result import Scale
from nightbay.uncertainty import registration

NOISE_MM, DRIFT_MM_PER_M = 0.1, 0.03
NORMAL_DEG = 1.5
SHEET_MM = 3.0
SHIFT_SD_MM, TURN_SD_RAD = 0.06, 4e-5  # of a segment's pose about its middle
ZERO_SD_MM, FRAME_TURN_SD_DEG = 0.3, 0.01


@dataclass(frozen=True)
class Piece:
    """A true feature: ``kind``, ``T`` (4, 4) from its own frame (face Z = 0, axis Z, middle at the origin) to the
    vehicle frame, ``radius_mm`` of its hole or spigot, ``face_mm`` of its face, ``bow`` (amplitude mm, lengths mm)."""

    kind: str
    T: np.ndarray
    radius_mm: float
    face_mm: float
    bow: tuple

    @property
    def centre_mm(self):
        return self.T[:3, 3]

    @property
    def axis(self):
        return self.T[:3, 2]


def pieces(rng, count, kinds=("hole", "mount", "hub")):
    """Features along 4 m, their axes mostly towards +Y."""
    made = []
    for number in range(count):
        kind = kinds[number % len(kinds)]
        face = {"hole": rng.uniform(35, 50), "mount": rng.uniform(50, 70), "hub": rng.uniform(60, 80)}[kind]
        radius = {"hole": rng.uniform(5, 15), "mount": rng.uniform(6, 18), "hub": rng.uniform(27, 35)}[kind]
        at = [4000.0 * (number + 0.5) / count + rng.uniform(-20, 20), rng.uniform(700, 900), rng.uniform(200, 1300)]
        sideways = Rotation.from_euler("x", -90, degrees=True)
        lean = (Rotation.from_rotvec(rng.normal(0, 0.3, 3)) * sideways).as_matrix()
        bow = (rng.uniform(0.0, 0.1), rng.uniform(40, 120, 2), rng.uniform(0, 2 * np.pi, 2))
        made.append(Piece(kind, rigid.pose(lean, at), radius, face, bow))
    return made


def scanned(rng, piece, spacing_mm, noise_mm=NOISE_MM):
    """Points (n, 3) and normals (n, 3) in the vehicle frame, about ``spacing_mm`` apart, without errors of pose."""
    half, radius = piece.face_mm, piece.radius_mm

    def drawn(area_mm2):
        return rng.poisson(area_mm2 / spacing_mm**2)

    n = drawn(4 * half * half)
    flat = rng.uniform(-half, half, (n, 2))
    away = np.linalg.norm(flat, axis=1)
    amplitude, lengths, phases = piece.bow
    height = (
        amplitude
        * np.sin(2 * np.pi * flat[:, 0] / lengths[0] + phases[0])
        * np.sin(2 * np.pi * flat[:, 1] / lengths[1] + phases[1])
    )
    up = np.tile([0.0, 0.0, 1.0], (n, 1))
    face = np.column_stack([flat, height])
    parts = []
    if piece.kind == "hub":
        on = (away < half) & (away > radius)
        wall_mm = rng.uniform(10, 15)
        parts += [(face[on], up[on])]
        m = drawn(2 * np.pi * radius * wall_mm)
        turn, z = rng.uniform(0, 2 * np.pi, m), rng.uniform(0, wall_mm, m)
        out = np.column_stack([np.cos(turn), np.sin(turn), np.zeros(m)])
        parts += [(radius * out + z[:, None] * [0, 0, 1], out)]
        top = away < radius - 1
        parts += [(face[top] + [0, 0, wall_mm], up[top])]
    else:
        on = away > radius
        parts += [(face[on], up[on])]
        m = drawn(2 * np.pi * radius * SHEET_MM) // 3  # the wall of the hole is seen from aside, where at all
        turn, z = rng.uniform(0, 2 * np.pi, m), -rng.uniform(0, SHEET_MM, m)
        out = np.column_stack([np.cos(turn), np.sin(turn), np.zeros(m)])
        parts += [(radius * out + z[:, None] * [0, 0, 1], -out)]
        inside = away < 0.9 * radius
        parts += [(face[inside][::2] - [0, 0, 25.0], up[inside][::2])]
        # mixed readings across the edge
        mixed = rng.random(n) < 0.05
        near = mixed & (np.abs(away - radius) < 1.0)
        parts += [(face[near] - rng.uniform(0.1, 0.9, near.sum())[:, None] * [0, 0, 25.0], up[near])]
    points, normals = (np.concatenate(columns) for columns in zip(*parts, strict=True))
    points = points + rng.normal(0, noise_mm, len(points))[:, None] * normals
    normals = normals + rng.normal(0, np.radians(NORMAL_DEG), normals.shape)
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    return rigid.transform(piece.T, points), rigid.rotate(piece.T, normals)


def part(rng, folder, made, spacing_mm, segments=3, errors=True, frame_error=True):
    """The scanned part as features see it: poses, drift and the frame are wrong by what their uncertainties say."""
    names = [f"s{number}" for number in range(segments)]
    found, poses, bounds = [], {}, {}
    turn = np.radians(FRAME_TURN_SD_DEG) * rng.normal(size=3) if frame_error else np.zeros(3)
    shift = ZERO_SD_MM * rng.normal(size=3) if frame_error else np.zeros(3)
    every = np.array([piece.centre_mm for piece in made])
    middle = (every.min(axis=0) + every.max(axis=0)) / 2
    T_wrong = _about(middle, turn, shift)
    reach = 4000.0 / segments
    for row, name in enumerate(names):
        centre = np.array([reach * (row + 0.5), 800.0, 700.0])
        covariance = np.diag([TURN_SD_RAD**2] * 3 + [SHIFT_SD_MM**2] * 3)
        wrong = rng.multivariate_normal(np.zeros(6), covariance) if errors else np.zeros(6)
        drift = rng.normal(0, DRIFT_MM_PER_M / 1000.0, 3) if errors else np.zeros(3)
        points, normals = [np.empty((0, 3))], [np.empty((0, 3))]
        for piece in made:
            if abs(piece.centre_mm[0] - centre[0]) < 0.9 * reach:
                xyz, facing = scanned(rng, piece, spacing_mm)
                points.append(xyz + (piece.centre_mm[0] - centre[0]) * drift)
                normals.append(facing)
        xyz, facing = np.concatenate(points), np.concatenate(normals)
        T = T_wrong @ _about(centre, wrong[:3], wrong[3:])
        xyz, facing = rigid.transform(T, xyz), rigid.rotate(T, facing)
        origin = np.round(xyz.mean(axis=0))
        block = cloud.Cloud((xyz - origin).astype(np.float32), facing.astype(np.float32))
        opened = cloud.write(folder / name, [block], origin, 500.0)
        about_origin = rigid.covariance_at_origin(covariance, centre)
        found.append(PosedSegment(name, opened, np.eye(4)))
        poses[name] = part_results.pose(covariance=about_origin)
        bounds[name] = Bounds(xyz.min(axis=0), xyz.max(axis=0))
    planes = ("front axle", "symmetry plane", "ground plane")
    frame = part_results.frame(every.min(axis=0), every.max(axis=0), found_by=planes)
    frame = _with(frame, bounds)
    scan = SimpleNamespace(noise_mm=NOISE_MM, target_drift_mm_per_m=DRIFT_MM_PER_M)
    context = Context(registration.of(frame, poses), frame, scan)
    return Part(found, None, typed.read(Scale, networks.UNSCALED), context)


def _about(middle, turn, shift):
    T = np.eye(4)
    T[:3, :3] = Rotation.from_rotvec(turn).as_matrix()
    T[:3, 3] = middle - T[:3, :3] @ middle + shift
    return T


def _with(frame, bounds):
    zero = {name: replace(plane, sd_mm=ZERO_SD_MM) for name, plane in frame.zero_planes.items()}
    return replace(frame, segments=bounds, zero_planes=zero, rotation_sd_deg=dict.fromkeys("xyz", FRAME_TURN_SD_DEG))
