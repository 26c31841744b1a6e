"""Finds targets that a survey recorded twice, and decides what becomes of them.

A survey that drifts and comes back to where it began sees a target again some millimetres beside its first place and
takes it for another. Evidence: two targets can't be nearer to each other than they are wide; a segment that saw two
there proves two; several segments that saw one there speak for one.
"""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from nightbay.core import rigid
from nightbay.matching import consensus


@dataclass(frozen=True)
class Double:
    """Two entries of the survey, ``rows`` in its list, ``distance_mm`` apart.

    ``verdict``: "joined" (mean of both kept), "dropped" (the second row left out, segments agree with the first),
    "kept" (two targets), "undecided" (kept both); ``evidence`` in words; ``path_m`` walked between both,
    None where unknown.
    """

    rows: tuple
    distance_mm: float
    verdict: str
    evidence: str
    path_m: float | None


def walk_m(xyz_mm):
    """Way in metres along the order of the list, (n,), or None where the order is no walk.

    A scanner that numbers targets as it meets them steps from one to a neighbour; a list that was sorted or shuffled
    jumps. Median step at most three times the median distance to the nearest other target counts as a walk.
    """
    if len(xyz_mm) < 3:
        return None
    step = np.linalg.norm(np.diff(xyz_mm, axis=0), axis=1)
    near = cKDTree(xyz_mm).query(xyz_mm, k=2)[0][:, 1]
    if np.median(step) > 3 * np.median(near):
        return None
    return np.concatenate([[0.0], np.cumsum(step)]) / 1000


def find(survey, segments, T_control_segment, tolerance, settings):
    """All pairs of the survey that may be one target, each with its verdict; list of :class:`Double`.

    ``segments``: placed :class:`nightbay.matching.initial_poses.TargetList` with poses (s, 4, 4).
    """
    walk = walk_m(survey.xyz_mm)
    longest = settings["same_target_mm"]
    pairs = cKDTree(survey.xyz_mm).query_pairs(longest, output_type="ndarray")
    pairs = np.sort(pairs, axis=1)
    pairs = pairs[np.lexsort((pairs[:, 1], pairs[:, 0]))]
    seen = [
        (rigid.transform(T, one.xyz_mm), cKDTree(rigid.transform(T, one.xyz_mm)))
        for one, T in zip(segments, T_control_segment, strict=True)
    ]
    found, taken = [], set()
    for i, j in pairs.tolist():
        if i in taken or j in taken:
            continue
        double = _judge(survey, i, j, walk, segments, seen, tolerance, settings)
        if double is not None:
            found.append(double)
            if double.verdict in ("joined", "dropped"):
                taken.update((i, j))
    return found


def _judge(survey, i, j, walk, segments, seen, tolerance, settings):
    distance = float(np.linalg.norm(survey.xyz_mm[i] - survey.xyz_mm[j]))
    path = None if walk is None else float(abs(walk[j] - walk[i]))
    noise = consensus.gate() * np.sqrt(2) * tolerance.noise_mm
    impossible = distance < _closest(survey, i, j, settings) - noise
    explained = noise + settings["walk_drift_mm_per_m"] * (path if path is not None else _round_m(survey.xyz_mm))
    if not impossible and distance > explained:
        return None
    both, one, votes = _votes(survey.xyz_mm[[i, j]], segments, seen, tolerance, distance)
    if both:
        return Double((i, j), distance, "kept", f"{both} segments saw two targets there", path)
    if not impossible and one < 2:
        return Double((i, j), distance, "undecided", f"{one} segments saw one target there, two are needed", path)
    why = "nearer than two targets can be" if impossible else f"{one} segments saw one target there, none saw two"
    if votes[0] != votes[1]:
        rows = (i, j) if votes[0] > votes[1] else (j, i)
        return Double(rows, distance, "dropped", f"{why}; segments agree with the entry kept", path)
    return Double((i, j), distance, "joined", why, path)


def _closest(survey, i, j, settings):
    """Least distance of two targets, mm: their mean diameter where the list has it, else the class's value."""
    if survey.diameter_mm is None:
        return settings["closest_mm"]
    return float(survey.diameter_mm[i] + survey.diameter_mm[j]) / 2


def _round_m(xyz_mm):
    """Way round all targets, metres: the longest walk that one would make before coming back."""
    size = np.sort(xyz_mm.max(axis=0) - xyz_mm.min(axis=0))
    return float(2 * (size[2] + size[1])) / 1000


def _votes(pair, segments, seen, tolerance, distance):
    """How many segments saw two entries there, how many one, and how many agree with the one and with the other only.

    An entry is looked for within noise, drift over the segment's reach, and half the distance of the pair, for a double
    recorded under drift may lie on both sides of the truth.
    """
    both, one, votes = 0, 0, [0, 0]
    for placed, tree in seen:
        reach_m = np.linalg.norm(placed.mean(axis=0) - pair.mean(axis=0)) / 1000
        gate = tolerance.point_mm + tolerance.per_m * reach_m
        near = tree.query_ball_point(pair.mean(axis=0), distance / 2 + 2 * gate)
        if len(near) >= 2:
            apart = np.linalg.norm(placed[near][:, None] - placed[near][None], axis=2).max()
            if apart > distance - 2 * gate and apart > 2 * consensus.gate() * tolerance.noise_mm:
                both += 1
                continue
        if not near:
            continue
        one += 1
        off = np.linalg.norm(placed[near][:, None] - pair[None], axis=2).min(axis=0)
        for at in range(2):
            votes[at] += int(off[at] < gate <= off[1 - at] or (off[at] < off[1 - at] / 2 and off[at] < gate))
    return both, one, votes


def apply(survey, doubles):
    """The survey without its doubles: joined entries are the mean of both with the spread in their covariance.

    Returns the list and the row in the old list of each of its entries, (n,).
    """
    xyz, covariance = survey.xyz_mm.copy(), survey.covariance_mm2.copy()
    keep = np.ones(len(survey), bool)
    for double in doubles:
        first, second = double.rows
        if double.verdict in ("joined", "dropped"):
            keep[second] = False
        if double.verdict == "joined":
            half = (xyz[first] - xyz[second]) / 2
            xyz[first] = (xyz[first] + xyz[second]) / 2
            covariance[first] = covariance[first] + (half @ half) / 3 * np.eye(3)
    rows = np.flatnonzero(keep)
    return type(survey)(survey.name, survey.file, xyz, covariance, survey.normal, survey.id, survey.diameter_mm).rows(
        rows
    ), rows
