"""Says which entries of which lists are the same target, and which follow another motion than the body."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from nightbay.core import rigid
from nightbay.matching import matching
from nightbay.network import drift, motion


@dataclass(frozen=True)
class Ties:
    """``target``: for each list (n,) the number of the target that each entry observes, -1 for entries that follow
    another motion; ``count`` of targets; ``T_control_station`` (s, 4, 4) by the body's targets; ``moves`` found."""

    target: list
    count: int
    T_control_station: np.ndarray
    moves: list


@dataclass(frozen=True)
class Move:
    """A group of targets of a segment that does not follow the body: rows of the segment's list, the targets' numbers,
    and the :class:`Shift` against the body; ``body_shift`` is the same seen from the group, at the
    body's middle."""

    segment: str
    rows: np.ndarray
    targets: np.ndarray
    shift: motion.Shift
    body_shift: motion.Shift
    body_count: int


def tie(lists, T_control_station, tolerance, settings, order=None):
    """Tie the entries of all lists, in ``order`` (s,) if that isn't theirs; the first of it numbers its own targets.

    Start poses (s, 4, 4) and those returned are in the frame of ``lists[0]``.
    """
    order = range(len(lists)) if order is None else order
    first = lists[order[0]]
    xyz, variance = rigid.transform(T_control_station[order[0]], first.xyz_mm), _variance(first)
    target, poses, moves = [None] * len(lists), np.array(T_control_station), []
    target[order[0]] = np.arange(len(first))
    for at in order[1:]:
        one = lists[at]
        partner = _mutual(xyz, rigid.transform(T_control_station[at], one.xyz_mm), settings["same_target_mm"])
        paired = np.flatnonzero(partner >= 0)
        sd = np.sqrt(variance[partner[paired]] + _variance(one)[paired])
        T, found = _by_motion(one, paired, partner, xyz, sd, T_control_station[at], tolerance, settings)
        for move in found:
            partner[move.rows] = -2
            moves.append(move)
        numbers = partner.copy()
        new = np.flatnonzero(partner == -1)
        numbers[new] = len(xyz) + np.arange(len(new))
        numbers[partner == -2] = -1
        xyz = np.concatenate([xyz, rigid.transform(T, one.xyz_mm[new])])
        variance = np.concatenate([variance, _variance(one)[new]])
        target[at], poses[at] = numbers, T
    return Ties(target, len(xyz), rigid.invert(poses[0]) @ poses, moves)


def _variance(one):
    return np.einsum("nii->n", one.covariance_mm2) / 3


def _mutual(xyz, placed, gate_mm):
    """Row of ``xyz`` for each placed entry, where both are each other's nearest within the gate, or -1."""
    distance, row = cKDTree(xyz).query(placed)
    _, back = cKDTree(placed).query(xyz)
    return np.where((distance < gate_mm) & (back[row] == np.arange(len(placed))), row, -1)


def _by_motion(one, paired, partner, xyz, sd, T, tolerance, settings):
    """The body's pose of a segment and the groups that moved against it."""
    least = settings["move_targets"]
    motions = motion.split(xyz[partner[paired]], one.xyz_mm[paired], sd, least)
    if not motions:
        return T, []
    body, moves = motions[0], []
    drift_mm_per_m = _drift(xyz[partner[paired]][body.rows], one.xyz_mm[paired][body.rows], tolerance)
    for group in motions[1:]:
        shift = motion.shift(body, group, drift_mm_per_m)
        if shift.p < settings["move_significance"]:
            rows = paired[group.rows]
            moves.append(
                Move(
                    one.name, rows, partner[rows], shift, motion.shift(group, body, drift_mm_per_m),
                    int(body.rows.sum()),
                )
            )  # fmt: skip
    far = _far(one, body, partner, xyz, tolerance, settings)
    return body.T_a_b, moves + far


def _drift(points_a, points_b, tolerance):
    """Drift of one list, mm/m: as declared, or what the body's own lengths show where that is more, for a smooth
    distortion makes the ends of a list look moved."""
    found = drift.from_lengths([points_a], [points_b])
    shown = 0.0 if found is None else found.value_mm_per_m - found.sd_mm_per_m  # few targets show little for sure
    return max(tolerance.drift_mm_per_m, shown)


def _far(one, body, partner, xyz, tolerance, settings):
    """Groups that moved further than entries are paired: what is left over on both sides is matched by itself."""
    left = np.flatnonzero(partner < 0)
    free = np.setdiff1d(np.arange(len(xyz)), partner[partner >= 0])
    if min(len(left), len(free)) <= settings["move_targets"]:
        return []
    try:
        # one list against one map tries few poses, so chance may be asked to stay out altogether
        match = matching.match(
            xyz[free], one.xyz_mm[left], tolerance, chance_max=settings["move_significance"] / 100,
            width_mm=settings["narrowest_mm"],
        )  # fmt: skip
    except matching.NoMatch:
        return []
    rows, targets = left[match.rows_b], free[match.rows_a]
    if len(rows) <= settings["move_targets"]:
        return []
    sd = np.full(len(rows), np.sqrt(2) * tolerance.noise_mm)
    group = motion.fitted(xyz[targets], one.xyz_mm[rows], sd)
    drift = tolerance.drift_mm_per_m
    shift = motion.shift(body, group, drift)
    return [Move(one.name, rows, targets, shift, motion.shift(group, body, drift), int(body.rows.sum()))]
