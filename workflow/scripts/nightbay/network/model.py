"""The network of target lists as one adjustment: a pose for every list but one, coordinates for every target.

Every list is a station that measured targets in its own frame; one station (the control survey, or the first segment
of a free network) holds the frame, which is the least that fixes it. Observation equation, with control coordinates x
of the target and the station's pose T_control_station: z = T_control_station^-1 x + noise.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

from nightbay.core import rigid
from nightbay.network import adjustment


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
    ``residual_mm`` (n, 3), ``Q_fitted`` (n, 3, 3), ``redundancy`` (n, 3) in the frame of each observation's list;
    ``distortion_mm`` (n, 3) what the list's strain adds to the measured place, which a rigid pose leaves.
    Covariances are for a variance factor of one; ``solution`` has it.
    """

    T_control_station: np.ndarray
    pose_covariance: np.ndarray
    scale: np.ndarray
    scale_sd: np.ndarray
    xyz_mm: np.ndarray
    covariance_mm2: np.ndarray
    residual_mm: np.ndarray
    distortion_mm: np.ndarray
    Q_fitted: np.ndarray
    redundancy: np.ndarray
    solution: adjustment.Solution


def adjust(observations, T_control_station, holds_frame=0, *, drift_mm_per_m=0.0, free_scale=False):
    """Adjust all poses and targets from start poses (s, 4, 4), whose station ``holds_frame`` stays as it is.

    ``drift_mm_per_m``: standard deviation of the smooth part of drift. A list that drifted is a little distorted as a
    whole, which noise that every target has for itself can't say: each list gets a strain (6 numbers, known beforehand
    to be zero with this standard deviation), so that poses and targets far out are as unsure as drift makes them.

    Raises :class:`nightbay.network.adjustment.Undetermined` when a pose is not determined.
    """
    layout = _Layout(len(T_control_station), holds_frame, 7 if free_scale else 6, drift_mm_per_m / 1000)
    targets = int(observations.target.max()) + 1
    stretched = _stretched(observations, layout.stations)
    placed = _place(T_control_station, observations)
    middle = placed[observations.active].mean(axis=0)
    start = np.array(T_control_station, np.float64)
    start[:, :3, 3] -= middle
    xyz = _mean_by_target(placed - middle, observations, targets)
    station, n = observations.station, len(placed)
    local = np.tile(np.eye(3), (n, 1, 1))

    def linearise(state):
        poses, xyz, strain = state
        here = xyz[observations.target]
        linear = poses[station, :3, :3]
        distortion = (linear @ (stretched @ strain[station][:, :, None]))[:, :, 0]
        by_motion = [rigid.cross_matrix(here), -local, -here[:, :, None]][: layout.width - 4]
        by_strain = [-(linear @ stretched)] if layout.strained else []
        return adjustment.Equations(
            misclosure=_place(poses, observations) + distortion - here,
            covariance=linear @ observations.covariance_mm2 @ linear.transpose(0, 2, 1),
            shared=np.concatenate(by_motion + by_strain, axis=2),
            columns=layout.columns(station),
            local=local,
            group=observations.target,
            active=observations.active,
            prior=layout.prior(strain),
        )

    def advance(state, step, step_local):
        poses, xyz, strain = state
        poses = poses.copy()
        for at in np.flatnonzero(layout.first >= 0):
            poses[at] = moved(poses[at], step[layout.first[at] : layout.first[at] + layout.width])
        change = step[layout.poses :].reshape(-1, 6) if layout.strained else 0.0
        return poses, xyz + step_local, strain + change

    state = (start, xyz, np.zeros((layout.stations, 6)))
    (poses, xyz, strain), solution = adjustment.iterate(linearise, advance, state, groups=targets)
    poses[:, :3, 3] += middle
    distortion = (stretched @ strain[station][:, :, None])[:, :, 0]
    return _collect(poses, xyz + middle, middle, observations, solution, layout, distortion)


@dataclass(frozen=True)
class _Layout:
    """Where the unknowns of each station stand: its pose and scale, then its strain."""

    stations: int
    holds_frame: int
    width: int  # of a pose: 6, or 7 with scale
    strain_sd: float

    @property
    def strained(self):
        return self.strain_sd > 0

    @property
    def poses(self):
        return (self.stations - 1) * self.width

    @property
    def first(self):
        """(s,) first unknown of each station's pose, -1 for the one that holds the frame."""
        first = np.full(self.stations, -1)
        first[np.arange(self.stations) != self.holds_frame] = np.arange(self.stations - 1) * self.width
        return first

    def columns(self, station):
        first = self.first[station][:, None]
        columns = np.where(first >= 0, first + np.arange(self.width), -1)
        if not self.strained:
            return columns
        return np.concatenate([columns, self.poses + 6 * station[:, None] + np.arange(6)], axis=1)

    def prior(self, strain):
        """Strains are zero beforehand; a shear is half of two independent ones, so has half the variance."""
        if not self.strained:
            return None
        prior = np.zeros((self.poses + strain.size, 2))
        variance = self.strain_sd**2 * np.array([1, 1, 1, 0.5, 0.5, 0.5])
        prior[self.poses :, 0] = np.tile(1 / variance, self.stations)
        prior[self.poses :, 1] = -strain.ravel()
        return prior


def _stretched(observations, stations):
    """(n, 3, 6): how each measured target moves with its list's strain (xx, yy, zz, xy, xz, yz), about the list's
    middle."""
    count = np.maximum(np.bincount(observations.station, minlength=stations), 1)
    sums = [np.bincount(observations.station, observations.xyz_mm[:, axis], stations) / count for axis in range(3)]
    x, y, z = (observations.xyz_mm - np.column_stack(sums)[observations.station]).T
    zero = np.zeros_like(x)
    rows = [[x, zero, zero, y, z, zero], [zero, y, zero, x, zero, z], [zero, zero, z, zero, x, y]]
    return np.array(rows).transpose(2, 0, 1)


def holding_both(adjusted, other):
    """``adjusted`` with covariances that hold ``other``, an answer that may be the right one, too."""
    pairs = zip(other.T_control_station, adjusted.T_control_station, strict=True)
    motion = np.array([small_motion(T @ rigid.invert(now)) for T, now in pairs])
    away = other.xyz_mm - adjusted.xyz_mm
    return replace(
        adjusted,
        pose_covariance=adjusted.pose_covariance + motion[:, :, None] * motion[:, None, :],
        covariance_mm2=adjusted.covariance_mm2 + away[:, :, None] * away[:, None, :],
    )


def small_motion(T):
    """Rotation vector (rad) and translation (mm), (6,), of a pose near to none."""
    return np.concatenate([Rotation.from_matrix(T[:3, :3]).as_rotvec(), T[:3, 3]])


def moved(T, step):
    """``T`` after the small motion ``step``: rotation vector (rad), translation (mm) and, where given, scale - 1."""
    turn = Rotation.from_rotvec(step[:3]).as_matrix() * (1 + (step[6] if len(step) > 6 else 0.0))
    return rigid.pose(turn @ T[:3, :3], turn @ T[:3, 3] + step[3:6])


def _place(poses, observations):
    chosen = poses[observations.station]
    return np.einsum("nij,nj->ni", chosen[:, :3, :3], observations.xyz_mm) + chosen[:, :3, 3]


def _mean_by_target(placed, observations, targets):
    """Start coordinates (t, 3): mean of the active observations of a target, of all where none is active."""
    weight = np.where(observations.active, 1.0, 1e-9)
    total = np.bincount(observations.target, weight, targets)
    sums = [np.bincount(observations.target, weight * placed[:, axis], targets) for axis in range(3)]
    return np.column_stack(sums) / np.where(total > 0, total, 1.0)[:, None]


def _collect(poses, xyz, middle, observations, solution, layout, distortion):
    scale = np.cbrt(np.linalg.det(poses[:, :3, :3]))
    covariance, scale_sd = np.zeros((len(poses), 6, 6)), np.zeros(len(poses))
    for station in np.flatnonzero(layout.first >= 0):
        own = slice(layout.first[station], layout.first[station] + layout.width)
        block = solution.Q_shared[own, own]
        covariance[station] = rigid.covariance_at_origin(block, middle)[:6, :6]
        if layout.width == 7:
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
        distortion_mm=distortion,
        Q_fitted=turned,
        redundancy=(1 - np.einsum("nij,nji->ni", turned, weight)) * observations.active[:, None],
        solution=solution,
    )
