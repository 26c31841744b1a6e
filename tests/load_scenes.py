"""A measured room in a vehicle whose pose is known by construction, for tests and a benchmark of its load sizes."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

import networks
import part_results
from nightbay.core import rigid, thinning
from nightbay.frame.result import Ground
from nightbay.join import pose_fit
from nightbay.join.evidence import Part
from nightbay.join.joined_parts import JoinedParts
from nightbay.join.skin import Skin
from nightbay.measure.result import MeasureResult
from nightbay.network.result import NetworkResult
from nightbay.pipeline import typed
from nightbay.refine.result import Scale
from typed_results import made

NOISE_MM, SPACING_MM = 0.1, 12.0
AXLES_MM, RADIUS_MM, FLOOR_MM = (0.0, 2800.0), 330.0, 620.0
GROUND_SD_MM, AXLE_SD_MM = 0.3, 0.2


@dataclass(frozen=True)
class Scene:
    """What the join knows, ``joined``, and the true pose of the room in the vehicle, ``T_vehicle_room`` (4, 4). The
    true ground is Z = 0 of the vehicle, its true front axle X = 0."""

    joined: JoinedParts
    T_vehicle_room: np.ndarray


def scene(
    shell, sizes, seed, *, heading_deg=0.0, turn_sd_deg=0.15, shift_sd_mm=0.3, rotation_sd_deg=0.01, axes="design_grid"
):
    """The :class:`Scene` of a room's ``shell`` and its ``sizes``.

    The pose turns the room by ``heading_deg`` about Z and by ``turn_sd_deg`` about all axes. The join's pose, the
    ground and the axle err as their stated uncertainties say: a shift and a rotation about the room's rear end.
    """
    rng = np.random.default_rng([seed, 67])
    forward = -1.0 if axes == "design_grid" else 1.0
    low, high = shell.points_mm.min(axis=0), shell.points_mm.max(axis=0)
    turn = Rotation.from_rotvec(np.radians(rng.normal(0, turn_sd_deg, 3)))
    R = (turn * Rotation.from_euler("z", heading_deg, degrees=True)).as_matrix()
    middle = np.array([*(low + high)[:2] / 2, 0.0])
    at = np.array([-forward * rng.uniform(1400, 1900), rng.normal(0, 5), FLOOR_MM])
    T_true = rigid.pose(R, at - R @ middle)
    covariance = np.diag([np.radians(rotation_sd_deg) ** 2] * 3 + [shift_sd_mm**2] * 3)
    centre = at + [-forward * (high - low)[0] / 2, 0.0, 600.0]
    error = rng.multivariate_normal(np.zeros(6), covariance)
    motion = pose_fit.Motion(centre, np.zeros(6), covariance, np.zeros(0), np.zeros((0, 0)))
    joined = JoinedParts(
        exterior=_part("exterior", _outside(rng, axes), []),
        interior=_part("interior", shell.frame, sizes, shell.poses),
        a=_skin(at + rng.uniform(-2000, 2000, (50, 3)), np.tile([0.0, 0.0, 1.0], (50, 1))),
        b=_skin(shell.points_mm, shell.normals),
        T_a_b=rigid.moved(T_true, error, centre),
        motion=motion,
    )
    return Scene(joined, T_true)


def _outside(rng, axes):
    """The frame of an exterior on its ground, with two axles."""
    forward = -1.0 if axes == "design_grid" else 1.0
    at = [-forward * x + rng.normal(0, AXLE_SD_MM) for x in AXLES_MM]
    known = [replace(part_results.axle(x, None, "test"), sd_mm=AXLE_SD_MM) for x in at]
    wheels = [part_results.wheel("left", [x, None, RADIUS_MM], made_sides()) for x in at]
    frame = part_results.frame(
        [-2000, -1000, 0], [6000, 1000, 2500], axes=axes, found_by=("front axle", "symmetry plane", "ground plane"),
        wheels=wheels, axles=known,
    )  # fmt: skip
    ground = Ground("ground plane", np.array([0.0, 0.0, 1.0]), float(rng.normal(0, GROUND_SD_MM)), GROUND_SD_MM)
    return replace(frame, ground=ground)


def made_sides():
    """Sidewalls of a tyre that are not known."""
    return part_results.Sides(None, None)


def _part(name, frame, sizes, poses=None):
    refine = replace(
        part_results.refine(poses or {"all": part_results.pose()}), scale=typed.read(Scale, networks.UNSCALED)
    )
    return Part(
        name, [], None, made(NetworkResult, mode="none"), refine, frame, None, made(MeasureResult, room=list(sizes))
    )


def _skin(points, normals):
    rows = thinning.thin(points, SPACING_MM)
    return Skin(points[rows], normals[rows], SPACING_MM, NOISE_MM, 0.0, 1500.0)
