"""Small motions of the segments by their targets: the network's observations, to be adjusted with the overlaps.

Around the adjusted network an observation of a target is linear in the motion of its segment. The coordinates of the
targets are eliminated target by target (Schur complement). So the overlaps deform the network only as far as the
targets' noise allows, with all correlations between the segments, and targets can be withheld to test a fit.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from nightbay.core import rigid, target_noise
from nightbay.network.result import NetworkResult


@dataclass(frozen=True)
class TargetObservations:
    """n observations of targets that two lists or more have measured, in the network's poses.

    ``segment`` (n,) number of the segment, -1 for the control survey; ``target`` (n,) from 0 to ``count``; ``J``
    (n, 3, 6) effect in mm of a motion of the segment about the centre, zero for the control survey; ``misclosure_mm``
    (n, 3) of the observation against the adjusted target in the control frame; ``weight`` (n,) inverse variance of a
    coordinate, 1 / mm2, and ``drift_mm`` (n,) the part of its standard deviation that drift makes; ``at_mm`` (n, 3) in
    the control frame.
    """

    segment: np.ndarray
    target: np.ndarray
    J: np.ndarray
    misclosure_mm: np.ndarray
    weight: np.ndarray
    drift_mm: np.ndarray
    at_mm: np.ndarray
    count: int


def read(
    network: NetworkResult, names: Sequence[str], poses: Sequence[np.ndarray], centre_mm: np.ndarray, scan: Any
) -> TargetObservations:
    """The :class:`TargetObservations` of a network's result.

    ``poses`` (4, 4) of the segments ``names`` in it; ``centre_mm`` (3,) about which motions turn; ``scan``: the section
    scan. The standard deviation grows with the distance from the centroid of the list. All of the drift reduces the
    weight of a target here, because no strain of a list as a whole is modelled.
    """
    number = {name: at for at, name in enumerate(names)}
    position = {target.target: target.xyz_mm for target in network.targets}
    used = [observation for observation in network.observations if observation.used]
    segment = np.array([number.get(observation.list, -1) for observation in used], np.int64)
    known, target = np.unique([observation.target for observation in used], return_inverse=True)
    x = np.array([position[number_of_target] for number_of_target in known.tolist()])[target.ravel()]
    residual = np.array([observation.residual_mm for observation in used])
    turned = np.where((segment >= 0)[:, None, None], np.array(poses)[segment][:, :3, :3], np.eye(3))
    J = np.concatenate([-rigid.cross_matrix(x - centre_mm), np.tile(np.eye(3), (len(x), 1, 1))], axis=2)
    J[segment < 0] = 0.0
    weight = np.empty(len(x))
    factor = network.covariance_scaled_by
    assert factor is not None  # a network with observations has one
    for at in np.unique(segment):
        mine = segment == at
        variance = target_noise.covariance(x[mine], scan.target_noise_mm, scan.target_drift_mm_per_m)
        weight[mine] = 1 / (variance[:, 0, 0] * factor)
    drift_mm = np.sqrt(np.maximum(1 / weight - factor * scan.target_noise_mm**2, 0.0))
    # a residual is adjusted minus observed, in the frame of the list
    misclosure = -np.einsum("nij,nj->ni", turned, residual)
    return TargetObservations(segment, target.ravel(), J, misclosure, weight, drift_mm, x, len(known))


def none() -> TargetObservations:
    """:class:`TargetObservations` of a part without targets."""
    empty = np.empty(0, np.int64)
    return TargetObservations(
        empty, empty, np.empty((0, 3, 6)), np.empty((0, 3)), np.empty(0), np.empty(0), np.empty((0, 3)), 0
    )


def reduced_design(observed: TargetObservations, segments: int) -> np.ndarray:
    """Effect (n, 3, 6 s) of the motions of all ``segments`` on each observation, less the weighted mean effect on its
    target: the design matrix without the coordinates of the targets."""
    whole = np.zeros((len(observed.target), 3, segments + 1, 6))
    whole[np.arange(len(whole)), :, observed.segment] = observed.J  # the control survey, number -1, comes last
    J = whole[:, :, :-1].reshape(len(whole), 3, 6 * segments)
    total = np.zeros((observed.count, 3, 6 * segments))
    np.add.at(total, observed.target, observed.weight[:, None, None] * J)
    weight = np.bincount(observed.target, observed.weight, observed.count)
    return J - (total / weight[:, None, None])[observed.target]


def normal_equations(observed: TargetObservations, segments: int) -> tuple[np.ndarray, np.ndarray]:
    """Normal matrices (count, 6 s, 6 s) and right sides (count, 6 s) of the motions, one for each target.

    Right sides are taken from the network's solution, in which all targets together ask for no motion. What is left of
    their sum, because the network models more of its lists than is modelled here, is distributed evenly.
    """
    J = reduced_design(observed, segments)
    matrix, right = np.zeros((observed.count, 6 * segments, 6 * segments)), np.zeros((observed.count, 6 * segments))
    np.add.at(matrix, observed.target, np.einsum("n,nij,nik->njk", observed.weight, J, J))
    np.add.at(right, observed.target, -np.einsum("n,nij,ni->nj", observed.weight, J, observed.misclosure_mm))
    return matrix, right - right.sum(axis=0) / max(observed.count, 1)


def squared_distances(observed: TargetObservations, motions: np.ndarray, segment: int) -> np.ndarray:
    """Squared distances (m,) mm2 of a segment's targets from where the other lists have them.

    ``motions`` (count, s, 6): for each target those in which it is compared.
    """
    each = motions[observed.target, np.maximum(observed.segment, 0)]  # the control survey has J = 0
    moved = observed.misclosure_mm + np.einsum("nij,nj->ni", observed.J, each)
    found = []
    for row in np.flatnonzero(observed.segment == segment):
        others = np.flatnonzero((observed.target == observed.target[row]) & (observed.segment != segment))
        if len(others):
            mean = np.average(moved[others], axis=0, weights=observed.weight[others])
            found.append(np.sum((moved[row] - mean) ** 2))
    return np.array(found)
