"""Finds targets that a survey recorded twice, and decides whether both entries are one target.

A survey that drifts and returns to where it began records a target again some millimetres beside its first position,
as if it were another one. Evidence: two targets can't be nearer to each other than they are wide; a segment that saw
two there proves two; several segments that saw one there are evidence for one.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, NamedTuple

import numpy as np
from scipy.spatial import cKDTree

from nightbay.core import rigid
from nightbay.matching import consensus
from nightbay.matching.pairing import Tolerance
from nightbay.matching.target_list import TargetList

# A list whose median step is longer than this many median distances to the nearest target is not in the order in which
# the targets were recorded (common practice, no source).
STEP_SPACINGS = 3


@dataclass(frozen=True)
class Duplicate:
    """Two entries of the survey that may be one target, ``rows`` in its list, ``distance_mm`` apart.

    ``verdict``: "joined" (mean of both kept), "dropped" (the second row removed, segments agree with the first),
    "kept" (two targets), "undecided" (both kept); ``evidence`` in words; ``path_m``: path length between
    both, None where unknown.
    """

    rows: tuple[int, int]
    distance_mm: float
    verdict: Literal["joined", "dropped", "kept", "undecided"]
    evidence: str
    path_m: float | None

    @property
    def is_one_target(self) -> bool:
        """Whether both entries are one target."""
        return self.verdict in ("joined", "dropped")


class _Seen(NamedTuple):
    """Targets of a segment in the survey's frame, (n, 3), and their tree."""

    xyz_mm: np.ndarray
    tree: cKDTree


def path_m(xyz_mm: np.ndarray) -> np.ndarray | None:
    """Length in metres of the path along the order of the list, (n,), or None where the order is no path.

    A scanner that numbers targets as it meets them steps from one to a neighbour; a list that was sorted or shuffled
    jumps. A median step of at most :data:`STEP_SPACINGS` median distances to the nearest target counts as a path.
    """
    if len(xyz_mm) < 3:
        return None
    step = np.linalg.norm(np.diff(xyz_mm, axis=0), axis=1)
    near = cKDTree(xyz_mm).query(xyz_mm, k=2)[0][:, 1]
    if np.median(step) > STEP_SPACINGS * np.median(near):
        return None
    return np.concatenate([[0.0], np.cumsum(step)]) / 1000


def find(
    survey: TargetList,
    segments: Sequence[TargetList],
    T_control_segment: np.ndarray,
    tolerance: Tolerance,
    settings: Any,
) -> list[Duplicate]:
    """All pairs of the survey that may be one target, each with its verdict.

    ``segments`` with their poses (s, 4, 4); ``settings``: the section network.
    """
    path = path_m(survey.xyz_mm)
    pairs = cKDTree(survey.xyz_mm).query_pairs(settings.same_target_mm, output_type="ndarray")
    pairs = np.sort(pairs, axis=1)
    pairs = pairs[np.lexsort((pairs[:, 1], pairs[:, 0]))]
    placed = [rigid.transform(T, segment.xyz_mm) for segment, T in zip(segments, T_control_segment, strict=True)]
    seen = [_Seen(xyz, cKDTree(xyz)) for xyz in placed]
    found: list[Duplicate] = []
    taken: set[int] = set()
    for i, j in pairs.tolist():
        if i in taken or j in taken:
            continue
        duplicate = _judge(survey, i, j, path, seen, tolerance, settings)
        if duplicate is not None:
            found.append(duplicate)
            if duplicate.is_one_target:
                taken.update((i, j))
    return found


def _judge(
    survey: TargetList, i: int, j: int, path: np.ndarray | None, seen: list[_Seen], tolerance: Tolerance, settings: Any
) -> Duplicate | None:
    """The verdict on a pair of rows; None where both are too far apart to be one target."""
    distance = float(np.linalg.norm(survey.xyz_mm[i] - survey.xyz_mm[j]))
    between_m = None if path is None else float(abs(path[j] - path[i]))
    noise = consensus.gate() * np.sqrt(2) * tolerance.noise_mm
    impossible = distance < _closest(survey, i, j, settings) - noise
    longest_m = _circumference_m(survey.xyz_mm) if between_m is None else between_m
    explained = noise + settings.path_drift_mm_per_m * longest_m
    if not impossible and distance > explained:
        return None
    votes = _votes(survey.xyz_mm[[i, j]], seen, tolerance, distance)
    if votes.saw_two:
        evidence = f"{_segments(votes.saw_two)} saw two targets there"
        return Duplicate((i, j), distance, "kept", evidence, between_m)
    if not impossible and votes.saw_one < 2:
        evidence = f"{_segments(votes.saw_one)} saw one target there, two are needed"
        return Duplicate((i, j), distance, "undecided", evidence, between_m)
    evidence = "nearer than two targets can be"
    if not impossible:
        evidence = f"{_segments(votes.saw_one)} saw one target there, none saw two"
    if votes.first != votes.second:
        rows = (i, j) if votes.first > votes.second else (j, i)
        return Duplicate(rows, distance, "dropped", f"{evidence}; segments agree with the entry kept", between_m)
    return Duplicate((i, j), distance, "joined", evidence, between_m)


def _segments(count: int) -> str:
    return f"{count} segment{'' if count == 1 else 's'}"


def _closest(survey: TargetList, i: int, j: int, settings: Any) -> float:
    """Least distance of two targets, mm: their mean diameter where the list has it, else the class's value."""
    if survey.diameter_mm is None:
        return settings.closest_mm
    return float(survey.diameter_mm[i] + survey.diameter_mm[j]) / 2


def _circumference_m(xyz_mm: np.ndarray) -> float:
    """Circumference of all targets, metres: the longest path before a survey returns to its start."""
    size = np.sort(xyz_mm.max(axis=0) - xyz_mm.min(axis=0))
    return float(2 * (size[2] + size[1])) / 1000


class _Votes(NamedTuple):
    """How many segments saw two entries there, how many one, how many agree with the first and the second only."""

    saw_two: int
    saw_one: int
    first: int
    second: int


def _votes(pair: np.ndarray, seen: list[_Seen], tolerance: Tolerance, distance: float) -> _Votes:
    """The segments' evidence on a pair of entries (2, 3) of the survey.

    An entry is searched within noise, drift over the distance from the segment's centroid, and half the distance of
    the pair, since two records of one target may lie on both sides of it.
    """
    saw_two, saw_one, votes = 0, 0, [0, 0]
    for placed, tree in seen:
        away_m = np.linalg.norm(placed.mean(axis=0) - pair.mean(axis=0)) / 1000
        gate = tolerance.point_mm + tolerance.per_m * away_m
        near = tree.query_ball_point(pair.mean(axis=0), distance / 2 + 2 * gate)
        if len(near) >= 2:
            apart = np.linalg.norm(placed[near][:, None] - placed[near][None], axis=2).max()
            if apart > distance - 2 * gate and apart > 2 * consensus.gate() * tolerance.noise_mm:
                saw_two += 1
                continue
        if not near:
            continue
        saw_one += 1
        off = np.linalg.norm(placed[near][:, None] - pair[None], axis=2).min(axis=0)
        for at in range(2):
            votes[at] += int(off[at] < gate <= off[1 - at] or (off[at] < off[1 - at] / 2 and off[at] < gate))
    return _Votes(saw_two, saw_one, *votes)


def apply(survey: TargetList, duplicates: Sequence[Duplicate]) -> tuple[TargetList, np.ndarray]:
    """The survey without its duplicates: joined entries are the mean of both with the spread in their covariance.

    Returns the list and the row in the old list of each of its entries, (n,).
    """
    xyz, covariance = survey.xyz_mm.copy(), survey.covariance_mm2.copy()
    keep = np.ones(len(survey), bool)
    for duplicate in duplicates:
        first, second = duplicate.rows
        if duplicate.is_one_target:
            keep[second] = False
        if duplicate.verdict == "joined":
            half = (xyz[first] - xyz[second]) / 2
            xyz[first] = (xyz[first] + xyz[second]) / 2
            covariance[first] = covariance[first] + (half @ half) / 3 * np.eye(3)
    rows = np.flatnonzero(keep)
    return replace(survey, xyz_mm=xyz, covariance_mm2=covariance).rows(rows), rows
