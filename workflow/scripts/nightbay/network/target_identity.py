"""Identifies the entries of all lists that are the same target, and those that follow another motion than the body."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from nightbay.core import rigid
from nightbay.matching import matching, pose_search
from nightbay.matching.pairing import Tolerance
from nightbay.matching.target_list import TargetList
from nightbay.network import drift, motion

ALONE = -1  # partner of an entry that no other list has
MOVED = -2  # partner of an entry that follows another motion than the body


@dataclass(frozen=True)
class Identity:
    """``target``: for each list (n,) the number of the target that each entry observes, -1 for entries that follow
    another motion; ``count`` of targets; ``T_control_list`` (s, 4, 4) by the body's targets; groups that ``moved``."""

    target: list[np.ndarray]
    count: int
    T_control_list: np.ndarray
    moved: "list[MovedTargets]"


@dataclass(frozen=True)
class MovedTargets:
    """A group of targets of a segment that does not follow the body: rows of the segment's list, the targets' numbers,
    and the :class:`Shift` against the body; ``body_shift``: that of the body against the group, at
    the body's centroid."""

    segment: str
    rows: np.ndarray
    targets: np.ndarray
    shift: motion.Shift
    body_shift: motion.Shift
    body_count: int


def identify(
    lists: Sequence[TargetList],
    T_control_list: np.ndarray,
    tolerance: Tolerance,
    settings: Any,
    order: Sequence[int] | None = None,
) -> Identity:
    """Identify the entries of all lists, in ``order`` (s,) where given; its first list numbers its own targets.

    Start poses (s, 4, 4) and those returned are in the frame of ``lists[0]``; ``settings``: the section network.
    """
    order = range(len(lists)) if order is None else order
    first = lists[order[0]]
    xyz, variance = rigid.transform(T_control_list[order[0]], first.xyz_mm), _variance(first)
    poses, moved = np.array(T_control_list), []
    target = {order[0]: np.arange(len(first))}
    for at in order[1:]:
        added = lists[at]
        partner = _mutual(xyz, rigid.transform(T_control_list[at], added.xyz_mm), settings.same_target_mm)
        paired = np.flatnonzero(partner >= 0)
        sd = np.sqrt(variance[partner[paired]] + _variance(added)[paired])
        T, groups = _by_motion(_Paired(added, partner, xyz), sd, T_control_list[at], tolerance, settings)
        for group in groups:
            partner[group.rows] = MOVED
        moved += groups
        numbers = partner.copy()
        new = np.flatnonzero(partner == ALONE)
        numbers[new] = len(xyz) + np.arange(len(new))
        numbers[partner == MOVED] = -1
        xyz = np.concatenate([xyz, rigid.transform(T, added.xyz_mm[new])])
        variance = np.concatenate([variance, _variance(added)[new]])
        target[at], poses[at] = numbers, T
    return Identity([target[at] for at in range(len(lists))], len(xyz), rigid.invert(poses[0]) @ poses, moved)


def _variance(target_list: TargetList) -> np.ndarray:
    return np.einsum("nii->n", target_list.covariance_mm2) / 3


def _mutual(xyz: np.ndarray, placed: np.ndarray, gate_mm: float) -> np.ndarray:
    """Row of ``xyz`` for each placed entry, where both are each other's nearest within the gate, or :data:`ALONE`."""
    distance, row = cKDTree(xyz).query(placed)
    _, back = cKDTree(placed).query(xyz)
    return np.where((distance < gate_mm) & (back[row] == np.arange(len(placed))), row, ALONE)


@dataclass(frozen=True)
class _Paired:
    """A list being added, for each of its entries the number of its partner among the known targets (:data:`ALONE`
    without one), and the coordinates of these, (t, 3) mm in the control frame."""

    added: TargetList
    partner: np.ndarray
    xyz: np.ndarray


def _by_motion(
    paired: _Paired, sd: np.ndarray, T: np.ndarray, tolerance: Tolerance, settings: Any
) -> tuple[np.ndarray, list[MovedTargets]]:
    """The body's pose of a segment and the groups that moved against it; ``sd`` (k,) mm of the paired entries."""
    rows = np.flatnonzero(paired.partner >= 0)
    points_a, points_b = paired.xyz[paired.partner[rows]], paired.added.xyz_mm[rows]
    motions = motion.split(points_a, points_b, sd, settings.motion_targets_min)
    if not motions:
        return T, []
    body = motions[0]
    drift_mm_per_m = _drift(points_a[body.rows], points_b[body.rows], tolerance)
    moved = []
    for group in motions[1:]:
        own = rows[group.rows]
        found = _moved(paired.added.name, own, paired.partner[own], body, group, drift_mm_per_m)
        if found.shift.p_value < settings.motion_significance:
            moved.append(found)
    return body.T_a_b, moved + _far(paired, body, tolerance, settings)


def _moved(
    segment: str,
    rows: np.ndarray,
    targets: np.ndarray,
    body: motion.Motion,
    group: motion.Motion,
    drift_mm_per_m: float,
) -> MovedTargets:
    shift, body_shift = motion.shift(body, group, drift_mm_per_m), motion.shift(group, body, drift_mm_per_m)
    return MovedTargets(segment, rows, targets, shift, body_shift, int(body.rows.sum()))


def _drift(points_a: np.ndarray, points_b: np.ndarray, tolerance: Tolerance) -> float:
    """Drift of one list, mm/m: as declared, or as the body's own lengths show where that is more, since a smooth
    distortion looks like a motion at the ends of a list."""
    found = drift.from_lengths([points_a], [points_b])
    shown = 0.0 if found is None else found.value_mm_per_m - found.sd_mm_per_m  # few targets are weak evidence
    return max(tolerance.drift_mm_per_m, shown)


def _far(paired: _Paired, body: motion.Motion, tolerance: Tolerance, settings: Any) -> list[MovedTargets]:
    """Groups that moved further than the pairing distance: unpaired entries of both sides are matched by themselves."""
    left = np.flatnonzero(paired.partner < 0)
    free = np.setdiff1d(np.arange(len(paired.xyz)), paired.partner[paired.partner >= 0])
    if min(len(left), len(free)) <= settings.motion_targets_min:
        return []
    # the test is of one list against one map, few poses are tried: false matches can be excluded almost entirely
    limits = matching.Limits(settings.motion_significance / 100, settings.narrowest_mm)
    index = pose_search.index(paired.xyz[free])
    match = matching.match(index, paired.added.xyz_mm[left], tolerance, limits)
    if isinstance(match, matching.NoMatch) or len(match.rows_b) <= settings.motion_targets_min:
        return []
    rows, targets = left[match.rows_b], free[match.rows_a]
    sd = np.full(len(rows), np.sqrt(2) * tolerance.noise_mm)
    group = motion.fit(paired.xyz[targets], paired.added.xyz_mm[rows], sd)
    return [_moved(paired.added.name, rows, targets, body, group, tolerance.drift_mm_per_m)]
