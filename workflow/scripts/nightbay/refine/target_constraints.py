"""What the targets say of small motions of the segments: the network once more, as observations beside the overlaps.

Around the adjusted network an observation of a target is linear in the motion of its segment; the coordinates of the
targets themselves are eliminated target by target (Schur complement). So the overlaps bend the network only as far as
the targets' noise allows, with all correlations between the segments, and targets can be withheld to test a fit.
"""

from dataclasses import dataclass

import numpy as np

from nightbay.core import rigid, target_noise


@dataclass(frozen=True)
class Ties:
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


def read(network, names, poses, centre_mm, scan):
    """The :class:`Ties` of a network's result; ``poses`` (list of (4, 4)) of the segments ``names`` in it.

    The noise is constant and grows with the distance from the middle of the list; all of drift weighs a target down
    here, since the ties know no strain of a list as a whole.
    """
    number = {name: at for at, name in enumerate(names)}
    place = {one["target"]: one["xyz_mm"] for one in network["targets"]}
    rows = [one for one in network["observations"] if one["used"]]
    segment = np.array([number.get(one["list"], -1) for one in rows], np.int64)
    known, target = np.unique([one["target"] for one in rows], return_inverse=True)
    x = np.array([place[one] for one in known.tolist()])[target.ravel()]
    residual = np.array([one["residual_mm"] for one in rows])
    turned = np.where((segment >= 0)[:, None, None], np.array(poses)[segment][:, :3, :3], np.eye(3))
    J = np.concatenate([-rigid.cross_matrix(x - centre_mm), np.tile(np.eye(3), (len(x), 1, 1))], axis=2)
    J[segment < 0] = 0.0
    weight = np.empty(len(x))
    for one in np.unique(segment):
        mine = segment == one
        variance = target_noise.covariance(x[mine], scan["target_noise_mm"], scan["target_drift_mm_per_m"])
        weight[mine] = 1 / (variance[:, 0, 0] * network["covariance_scaled_by"])
    drift_mm = np.sqrt(np.maximum(1 / weight - network["covariance_scaled_by"] * scan["target_noise_mm"] ** 2, 0.0))
    # a residual is adjusted minus observed, in the frame of the list
    misclosure = -np.einsum("nij,nj->ni", turned, residual)
    return Ties(segment, target.ravel(), J, misclosure, weight, drift_mm, x, len(known))


def none():
    """No targets."""
    empty = np.empty(0, np.int64)
    return Ties(empty, empty, np.empty((0, 3, 6)), np.empty((0, 3)), np.empty(0), np.empty(0), np.empty((0, 3)), 0)


def centred(ties, segments):
    """Effect (n, 3, 6 s) of all motions on each observation, less the mean effect on its target, weighted."""
    J = np.zeros((len(ties.target), 3, segments + 1, 6))
    J[np.arange(len(J)), :, ties.segment] = ties.J  # the control survey, number -1, falls into the last place
    J = J[:, :, :-1].reshape(len(J), 3, 6 * segments)
    total = np.zeros((ties.count, 3, 6 * segments))
    np.add.at(total, ties.target, ties.weight[:, None, None] * J)
    weight = np.bincount(ties.target, ties.weight, ties.count)
    return J - (total / weight[:, None, None])[ties.target]


def normal_equations(ties, segments):
    """Normal matrices (count, 6 s, 6 s) and right sides (count, 6 s) of the motions, one for each target.

    Right sides are taken from the network's solution, in which all targets together ask for no motion; what is left of
    their sum, because the network knows more of its lists than the ties do, is shared out.
    """
    J = centred(ties, segments)
    matrix, right = np.zeros((ties.count, 6 * segments, 6 * segments)), np.zeros((ties.count, 6 * segments))
    np.add.at(matrix, ties.target, np.einsum("n,nij,nik->njk", ties.weight, J, J))
    np.add.at(right, ties.target, -np.einsum("n,nij,ni->nj", ties.weight, J, ties.misclosure_mm))
    return matrix, right - right.sum(axis=0) / max(ties.count, 1)


def squares(ties, motions, segment):
    """Square distances (m,) mm2 of a segment's targets from where the other lists have them.

    ``motions`` (count, s, 6): for each target those in which it is looked at.
    """
    each = motions[ties.target, np.maximum(ties.segment, 0)]  # the control survey has J = 0
    moved = ties.misclosure_mm + np.einsum("nij,nj->ni", ties.J, each)
    found = []
    for row in np.flatnonzero(ties.segment == segment):
        others = np.flatnonzero((ties.target == ties.target[row]) & (ties.segment != segment))
        if len(others):
            there = np.average(moved[others], axis=0, weights=ties.weight[others])
            found.append(np.sum((moved[row] - there) ** 2))
    return np.array(found)
