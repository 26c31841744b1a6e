"""The network of target lists as one adjustment: a pose for every list but one, coordinates for every target.

Every list measured targets in its own frame; one list (the control survey, or the first segment of a free network)
holds the frame, which is the minimal datum. Observation equation, with control coordinates x of the target and the
list's pose T_control_list: z = T_control_list^-1 x + noise.
"""

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from scipy.spatial.transform import Rotation

from nightbay.core import rigid
from nightbay.network import adjustment


@dataclass(frozen=True)
class Observations:
    """n measured targets of all lists.

    ``xyz_mm`` (n, 3) in the frame of their list; ``covariance_mm2`` (n, 3, 3) there; ``list_number``
    (n,) which list; ``target`` (n,) which unknown target; ``active`` (n,) bool, False for those that are tested but do
    not take part.
    """

    xyz_mm: np.ndarray
    covariance_mm2: np.ndarray
    list_number: np.ndarray
    target: np.ndarray
    active: np.ndarray


@dataclass(frozen=True)
class Adjusted:
    """The adjusted network.

    ``T_control_list`` (s, 4, 4), rotation and scale in one where scales were free; ``pose_covariance`` (s, 6, 6) of
    the small motion about the control frame's origin (rad, mm), zero for the list that holds the frame;
    ``scale`` (s,) and ``scale_sd`` (s,); ``xyz_mm`` (t, 3) and ``covariance_mm2`` (t, 3, 3) of the targets;
    ``residual_mm`` (n, 3), ``Q_fitted`` (n, 3, 3), ``redundancy`` (n, 3) in the frame of each observation's list;
    ``distortion_mm`` (n, 3) what the list's strain adds to the measured position, beyond a rigid pose.
    Covariances are for a variance factor of one; ``solution`` has it.
    """

    T_control_list: np.ndarray
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


def adjust(
    observations: Observations,
    T_control_list: np.ndarray,
    holds_frame: int = 0,
    *,
    drift_mm_per_m: float = 0.0,
    free_scale: bool = False,
) -> Adjusted:
    """Adjust all poses and targets from start poses (s, 4, 4), of which ``holds_frame`` stays as it is.

    ``drift_mm_per_m``: standard deviation of the smooth part of drift. A list that drifted is a little distorted as a
    whole, which independent noise of targets can't describe. Each list therefore gets a strain: 6 numbers with the
    prior value zero and this standard deviation. Poses and targets far out are then as uncertain as drift makes them.
    ``free_scale``: each list but the one that holds the frame has a scale of its own, as in a Helmert transformation
    of seven parameters.

    Raises :class:`nightbay.network.adjustment.Undetermined` when a pose is not determined.
    """
    layout = _Layout(len(T_control_list), holds_frame, 7 if free_scale else 6, drift_mm_per_m / 1000)
    positions = _in_control(np.asarray(T_control_list), observations)
    centroid = positions[observations.active].mean(axis=0)
    start = np.array(T_control_list, np.float64)
    start[:, :3, 3] -= centroid
    targets = int(observations.target.max()) + 1
    problem = _Problem(observations, layout, _strain_effect(observations, layout.lists))
    state = _State(start, _mean_by_target(positions - centroid, observations, targets), np.zeros((layout.lists, 6)))
    state, solution = adjustment.iterate(problem.linearise, problem.advance, state, groups=targets)
    return _collect(problem, state, solution, centroid)


class _State(NamedTuple):
    """Present values of all unknowns: poses (s, 4, 4) and targets (t, 3) about the centroid, strains (s, 6)."""

    poses: np.ndarray
    xyz: np.ndarray
    strain: np.ndarray


@dataclass(frozen=True)
class _Layout:
    """Columns of the unknowns: the pose (and scale) of each list, then the strain of each."""

    lists: int
    holds_frame: int
    width: int  # of a pose: 6, or 7 with scale
    strain_sd: float

    @property
    def strained(self) -> bool:
        """Whether lists have strains among their unknowns."""
        return self.strain_sd > 0

    @property
    def poses(self) -> int:
        """Number of unknowns of all poses."""
        return (self.lists - 1) * self.width

    @property
    def first(self) -> np.ndarray:
        """(s,) first unknown of each list's pose, -1 for the one that holds the frame."""
        first = np.full(self.lists, -1)
        first[np.arange(self.lists) != self.holds_frame] = np.arange(self.lists - 1) * self.width
        return first

    def columns(self, list_number: np.ndarray) -> np.ndarray:
        """(n, k) which unknowns each observation of the lists (n,) meets, -1 for none."""
        first = self.first[list_number][:, None]
        columns = np.where(first >= 0, first + np.arange(self.width), -1)
        if not self.strained:
            return columns
        return np.concatenate([columns, self.poses + 6 * list_number[:, None] + np.arange(6)], axis=1)

    def prior(self, strain: np.ndarray) -> np.ndarray | None:
        """Prior of the unknowns, (p, 2): strains are zero.

        A shear is the mean of two independent ones and has half the variance.
        """
        if not self.strained:
            return None
        prior = np.zeros((self.poses + strain.size, 2))
        variance = self.strain_sd**2 * np.array([1, 1, 1, 0.5, 0.5, 0.5])
        prior[self.poses :, 0] = np.tile(1 / variance, self.lists)
        prior[self.poses :, 1] = -strain.ravel()
        return prior


@dataclass(frozen=True)
class _Problem:
    """The observations, the layout of the unknowns, and the effect of strains on each observation (n, 3, 6)."""

    observations: Observations
    layout: _Layout
    strain_effect: np.ndarray

    def distortion(self, strain: np.ndarray) -> np.ndarray:
        """What the strains (s, 6) add to each measured position, (n, 3, 1) in the frame of its list."""
        return self.strain_effect @ strain[self.observations.list_number][:, :, None]

    def linearise(self, state: _State) -> adjustment.Equations:
        """The observation equations about a state."""
        observations, layout = self.observations, self.layout
        target_xyz = state.xyz[observations.target]
        linear = state.poses[observations.list_number, :3, :3]
        distortion = (linear @ self.distortion(state.strain))[:, :, 0]
        by_target = np.tile(np.eye(3), (len(target_xyz), 1, 1))
        by_motion = [rigid.cross_matrix(target_xyz), -by_target, -target_xyz[:, :, None]][: layout.width - 4]
        by_strain = [-(linear @ self.strain_effect)] if layout.strained else []
        return adjustment.Equations(
            misclosure=_in_control(state.poses, observations) + distortion - target_xyz,
            covariance=linear @ observations.covariance_mm2 @ linear.transpose(0, 2, 1),
            shared=np.concatenate(by_motion + by_strain, axis=2),
            columns=layout.columns(observations.list_number),
            local=by_target,
            group=observations.target,
            active=observations.active,
            prior=layout.prior(state.strain),
        )

    def advance(self, state: _State, step: np.ndarray, step_local: np.ndarray) -> _State:
        """The state after a step of the poses and strains, (p,), and of the targets, (t, 3)."""
        layout, poses = self.layout, state.poses.copy()
        for number in np.flatnonzero(layout.first >= 0):
            first = layout.first[number]
            poses[number] = moved(poses[number], step[first : first + layout.width])
        change = step[layout.poses :].reshape(-1, 6) if layout.strained else 0.0
        return _State(poses, state.xyz + step_local, state.strain + change)


def _strain_effect(observations: Observations, lists: int) -> np.ndarray:
    """(n, 3, 6): how each measured target moves with its list's strain (xx, yy, zz, xy, xz, yz) about the list's
    centroid."""
    count = np.maximum(np.bincount(observations.list_number, minlength=lists), 1)
    sums = [np.bincount(observations.list_number, observations.xyz_mm[:, axis], lists) / count for axis in range(3)]
    x, y, z = (observations.xyz_mm - np.column_stack(sums)[observations.list_number]).T
    zero = np.zeros_like(x)
    rows = [[x, zero, zero, y, z, zero], [zero, y, zero, x, zero, z], [zero, zero, z, zero, x, y]]
    return np.array(rows).transpose(2, 0, 1)


def covering_both(adjusted: Adjusted, other: Adjusted) -> Adjusted:
    """``adjusted`` with covariances enlarged to cover ``other``, a solution that may be the right one."""
    pairs = zip(other.T_control_list, adjusted.T_control_list, strict=True)
    motion = np.array([small_motion(T @ rigid.invert(T_adjusted)) for T, T_adjusted in pairs])
    away = other.xyz_mm - adjusted.xyz_mm
    return replace(
        adjusted,
        pose_covariance=adjusted.pose_covariance + motion[:, :, None] * motion[:, None, :],
        covariance_mm2=adjusted.covariance_mm2 + away[:, :, None] * away[:, None, :],
    )


def small_motion(T: np.ndarray) -> np.ndarray:
    """Rotation vector (rad) and translation (mm), (6,), of a pose (4, 4) near to the identity."""
    return np.concatenate([Rotation.from_matrix(T[:3, :3]).as_rotvec(), T[:3, 3]])


def moved(T: np.ndarray, step: np.ndarray) -> np.ndarray:
    """``T`` after the small motion ``step``: rotation vector (rad), translation (mm) and, where given, scale - 1."""
    R = Rotation.from_rotvec(step[:3]).as_matrix() * (1 + (step[6] if len(step) > 6 else 0.0))
    return rigid.pose(R @ T[:3, :3], R @ T[:3, 3] + step[3:6])


def _in_control(poses: np.ndarray, observations: Observations) -> np.ndarray:
    """Measured positions (n, 3) in the control frame, by poses (s, 4, 4)."""
    chosen = poses[observations.list_number]
    return np.einsum("nij,nj->ni", chosen[:, :3, :3], observations.xyz_mm) + chosen[:, :3, 3]


def _mean_by_target(placed: np.ndarray, observations: Observations, targets: int) -> np.ndarray:
    """Start coordinates (t, 3): mean of the active observations of a target, of all where none is active."""
    weight = np.where(observations.active, 1.0, 1e-9)
    total = np.bincount(observations.target, weight, targets)
    sums = [np.bincount(observations.target, weight * placed[:, axis], targets) for axis in range(3)]
    return np.column_stack(sums) / np.where(total > 0, total, 1.0)[:, None]


def _collect(problem: _Problem, state: _State, solution: adjustment.Solution, centroid: np.ndarray) -> Adjusted:
    observations, layout = problem.observations, problem.layout
    poses = state.poses.copy()
    poses[:, :3, 3] += centroid
    scale = np.cbrt(np.linalg.det(poses[:, :3, :3]))
    covariance, scale_sd = np.zeros((len(poses), 6, 6)), np.zeros(len(poses))
    for number in np.flatnonzero(layout.first >= 0):
        own = slice(layout.first[number], layout.first[number] + layout.width)
        block = solution.Q_shared[own, own]
        covariance[number] = rigid.covariance_at_origin(block, centroid)[:6, :6]
        if layout.width == 7:
            scale_sd[number] = scale[number] * np.sqrt(block[6, 6])
    to_list = np.linalg.inv(poses[:, :3, :3])[observations.list_number]
    Q_fitted = to_list @ solution.Q_fitted @ to_list.transpose(0, 2, 1)
    weight = np.linalg.inv(observations.covariance_mm2)
    return Adjusted(
        T_control_list=poses,
        pose_covariance=covariance,
        scale=scale,
        scale_sd=scale_sd,
        xyz_mm=state.xyz + centroid,
        covariance_mm2=solution.Q_local,
        residual_mm=np.einsum("nij,nj->ni", to_list, solution.residual),
        distortion_mm=problem.distortion(state.strain)[:, :, 0],
        Q_fitted=Q_fitted,
        redundancy=(1 - np.einsum("nij,nji->ni", Q_fitted, weight)) * observations.active[:, None],
        solution=solution,
    )
