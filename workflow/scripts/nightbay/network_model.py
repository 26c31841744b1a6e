"""The network of target lists as one adjustment: a pose for every list but one, coordinates for every target.

Every list is a station that measured targets in its own frame; one station (the control survey, or the first segment
of a free network) holds the frame, which is the least that fixes it. Observation equation, with control coordinates x
of the target and the station's pose T_control_station: z = T_control_station^-1 x + noise.
"""

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from nightbay import adjustment, rigid


@dataclass(frozen=True)
class Observations:
    """n measured targets of all lists.

    ``xyz_mm`` (n, 3) in the frame of their list; ``covariance_mm2`` (n, 3, 3) there; ``station`` (n,) which list;
    ``target`` (n,) which unknown target; ``active`` (n,) bool, False for those that are tested but have no say.
    """

    xyz_mm: np.ndarray
    covariance_mm2: np.ndarray
    station: np.ndarray
    target: np.ndarray
    active: np.ndarray


@dataclass(frozen=True)
class Adjusted:
    """The adjusted network.

    ``T_control_station`` (s, 4, 4), rotation and scale in one where scales were free; ``pose_covariance`` (s, 6, 6) of
    the small motion about the control frame's origin (rad, mm), zero for the station that holds the frame;
    ``scale`` (s,) and ``scale_sd`` (s,); ``xyz_mm`` (t, 3) and ``covariance_mm2`` (t, 3, 3) of the targets;
    ``residual_mm`` (n, 3), ``Q_fitted`` (n, 3, 3), ``redundancy`` (n, 3) in the frame of each observation's list.
    Covariances are for a variance factor of one; ``solution`` has it.
    """

    T_control_station: np.ndarray
    pose_covariance: np.ndarray
    scale: np.ndarray
    scale_sd: np.ndarray
    xyz_mm: np.ndarray
    covariance_mm2: np.ndarray
    residual_mm: np.ndarray
    Q_fitted: np.ndarray
    redundancy: np.ndarray
    solution: adjustment.Solution


def noise_covariance(xyz_mm, noise_mm, drift_mm_per_m):
    """Covariance (n, 3, 3) of targets of one list: a constant part and one that grows with distance.

    Distance counts from the middle of the list: a pose takes out what all targets share, so that drift along the run
    shows as disagreement that grows outwards, wherever the run began.
    """
    away_m = np.linalg.norm(xyz_mm - np.mean(xyz_mm, axis=0), axis=1) / 1000
    return (noise_mm**2 + (drift_mm_per_m * away_m) ** 2)[:, None, None] * np.eye(3)


def cross_matrix(vectors):
    """(n, 3, 3) matrices with ``cross_matrix(a) @ b == cross(a, b)`` for (n, 3) vectors."""
    x, y, z = np.asarray(vectors).T
    zero = np.zeros_like(x)
    return np.stack([zero, -z, y, z, zero, -x, -y, x, zero], axis=1).reshape(-1, 3, 3)


def adjust(observations, T_control_station, holds_frame=0, *, free_scale=False):
    """Adjust all poses and targets from start poses (s, 4, 4), whose station ``holds_frame`` stays as it is.

    Raises :class:`nightbay.adjustment.Undetermined` when a pose is not determined.
    """
    width = 7 if free_scale else 6
    stations = len(T_control_station)
    column = np.full(stations, -1)
    column[np.arange(stations) != holds_frame] = np.arange(stations - 1) * width
    first = column[observations.station]
    targets = int(observations.target.max()) + 1
    placed = _place(T_control_station, observations)
    middle = placed[observations.active].mean(axis=0)
    start = np.array(T_control_station, np.float64)
    start[:, :3, 3] -= middle
    xyz = _mean_by_target(placed - middle, observations, targets)

    def linearise(state):
        poses, xyz = state
        here = xyz[observations.target]
        linear = poses[observations.station, :3, :3]
        by_motion = [cross_matrix(here), -np.tile(np.eye(3), (len(here), 1, 1)), -here[:, :, None]]
        return adjustment.Equations(
            misclosure=_place(poses, observations) - here,
            covariance=linear @ observations.covariance_mm2 @ linear.transpose(0, 2, 1),
            shared=np.concatenate(by_motion, axis=2)[:, :, :width],
            columns=np.where(first[:, None] >= 0, first[:, None] + np.arange(width), -1),
            local=np.tile(np.eye(3), (len(here), 1, 1)),
            group=observations.target,
            active=observations.active,
        )

    def advance(state, step, step_local):
        poses, xyz = state
        poses = poses.copy()
        for station in np.flatnonzero(column >= 0):
            poses[station] = moved(poses[station], step[column[station] : column[station] + width])
        return poses, xyz + step_local

    (poses, xyz), solution = adjustment.iterate(linearise, advance, (start, xyz), groups=targets)
    poses[:, :3, 3] += middle
    return _collect(poses, xyz + middle, middle, observations, solution, column, width)


def moved(T, step):
    """``T`` after the small motion ``step``: rotation vector (rad), translation (mm) and, where given, scale - 1."""
    turn = Rotation.from_rotvec(step[:3]).as_matrix() * (1 + (step[6] if len(step) > 6 else 0.0))
    return rigid.pose(turn @ T[:3, :3], turn @ T[:3, 3] + step[3:6])


def at_origin(covariance, middle_mm):
    """Covariance (6, 6), or (7, 7) with scale, of a small motion about ``middle_mm``, as one about the origin."""
    J = np.eye(len(covariance))
    J[3:6, :3] = cross_matrix(np.asarray(middle_mm)[None])[0]
    if len(covariance) == 7:
        J[3:6, 6] = -np.asarray(middle_mm)
    return J @ covariance @ J.T


def _place(poses, observations):
    chosen = poses[observations.station]
    return np.einsum("nij,nj->ni", chosen[:, :3, :3], observations.xyz_mm) + chosen[:, :3, 3]


def _mean_by_target(placed, observations, targets):
    """Start coordinates (t, 3): mean of the active observations of a target, of all where none is active."""
    weight = np.where(observations.active, 1.0, 1e-9)
    total = np.bincount(observations.target, weight, targets)
    sums = [np.bincount(observations.target, weight * placed[:, axis], targets) for axis in range(3)]
    return np.column_stack(sums) / np.where(total > 0, total, 1.0)[:, None]


def _collect(poses, xyz, middle, observations, solution, column, width):
    stations = len(poses)
    scale = np.cbrt(np.linalg.det(poses[:, :3, :3]))
    covariance, scale_sd = np.zeros((stations, 6, 6)), np.zeros(stations)
    for station in np.flatnonzero(column >= 0):
        block = solution.Q_shared[column[station] : column[station] + width, column[station] : column[station] + width]
        covariance[station] = at_origin(block, middle)[:6, :6]
        if width == 7:
            scale_sd[station] = scale[station] * np.sqrt(block[6, 6])
    back = np.linalg.inv(poses[:, :3, :3])[observations.station]
    turned = back @ solution.Q_fitted @ back.transpose(0, 2, 1)
    weight = np.linalg.inv(observations.covariance_mm2)
    return Adjusted(
        T_control_station=poses,
        pose_covariance=covariance,
        scale=scale,
        scale_sd=scale_sd,
        xyz_mm=xyz,
        covariance_mm2=solution.Q_local,
        residual_mm=np.einsum("nij,nj->ni", back, solution.residual),
        Q_fitted=turned,
        redundancy=(1 - np.einsum("nij,nji->ni", turned, weight)) * observations.active[:, None],
        solution=solution,
    )
