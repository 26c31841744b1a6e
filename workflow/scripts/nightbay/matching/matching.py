"""Matches two lists of targets without labels, and certifies the match or refuses it.

A match is certified when (1) it explains at least four targets, (2) the expected number of false matches with this
support is small, (3) no other pose that contradicts it explains more than half as many, (4) no other part of the map
looks so much like the one found that targets missing from the map could have decided between both, and (5) a mirror
image would not fit as well, which normals or targets off one plane show.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.spatial import cKDTree

from nightbay.core.errors import NotFound
from nightbay.matching import ambiguity, consensus, pairing, pose_search
from nightbay.matching.pairing import LEAST, Candidate, Lists, Tolerance

TRIPLES = 400  # exhaustive up to 14 targets; else a pose with a third of the targets escapes once in a million
# Least number of common targets of a flat match without normals. A flat panel has more in one plane. On a curved panel
# so many lie in one plane within noise only once in a million; fewer do so often enough that a mirror image would be
# taken for the original.
FLAT_LEAST = 8
# Share of a flat list's common targets that may lie off the plane, as spurious entries do.
OFF_PLANE_MAX = 0.25
# Share of shared labels that has to agree with a pose, and share of the best support that a claimed pose needs.
AGREEING_MIN = 0.75
# Share of a pose's pairs that have to differ from the best ones for a contradiction; fewer are spurious entries.
CLASH_MIN = 0.25

Source = Literal["geometry", "labels", "placed"]


@dataclass(frozen=True)
class NoMatch(NotFound):
    """No certified match: ``reason`` "few", "line", "flat", "ambiguous" or "by chance"; support of the best pose and of
    the best one that contradicts it."""

    count: int = 0
    runner_up: int = 0


@dataclass(frozen=True)
class Limits:
    """Of a certified match: largest expected number of false matches, and least RMS distance of the common targets
    from one line, mm."""

    expected_false_max: float = 1e-3
    width_mm: float = 30.0


@dataclass(frozen=True)
class Claims:
    """What is claimed of two lists: ``labelled`` (k, 2) rows (a, b) with the same label, ``T_a_b`` (4, 4) a pose; each
    or None. Both are tried as poses of their own, and may decide what geometry alone leaves ambiguous, never overrule
    it."""

    labelled: np.ndarray | None = None
    T_a_b: np.ndarray | None = None


@dataclass(frozen=True)
class Match:
    """A certified match: pose, matched rows of both lists, and what the certificate rests on.

    ``runner_up``: targets that the best contradicting pose explains; ``expected_false``: how many poses with this
    support unrelated targets would give; ``by``: what decided it; ``flat``: a mirrored list would have matched too.
    """

    T_a_b: np.ndarray
    rows_a: np.ndarray
    rows_b: np.ndarray
    rms_mm: float
    runner_up: int
    expected_false: float
    by: Source
    flat: bool


def match(
    a: pose_search.Index,
    xyz_b: np.ndarray,
    tolerance: Tolerance,
    limits: Limits = Limits(),
    *,
    normal_b: np.ndarray | None = None,
    claims: Claims = Claims(),
) -> Match | NoMatch:
    """Match targets b (n, 3), mm, to the targets a; normals (n, 3) are used where both lists have them."""
    if min(len(a.xyz), len(xyz_b)) < LEAST:
        return NoMatch("few", min(len(a.xyz), len(xyz_b)))
    if consensus.width(xyz_b) < limits.width_mm:
        return NoMatch("line", len(xyz_b))
    centroid_b = xyz_b.mean(axis=0)
    lists = Lists(a, cKDTree(a.xyz), xyz_b - centroid_b, None if len(a.normal) == 0 else normal_b, tolerance)
    found, congruent = _geometric(lists)
    claimed = _claimed(lists, claims, centroid_b)
    for claim in claimed.values():
        if pairing.is_new(claim, found, lists.b):
            found.append(claim)
    found.sort(key=lambda candidate: (-candidate.count, candidate.rms_mm))
    if not found or found[0].count < LEAST:
        return NoMatch("few", found[0].count if found else 0)
    decision = _decide(found, claimed, lists)
    if isinstance(decision, NoMatch):
        return decision
    return _certify(decision, claimed, lists, congruent, limits, centroid_b)


@dataclass(frozen=True)
class _Decision:
    """The pose to believe, what decided it, and the support of the best pose that contradicts it."""

    best: Candidate
    by: Source
    runner_up: int


def _claimed(lists: Lists, claims: Claims, centroid_b: np.ndarray) -> dict[Source, Candidate]:
    """The claimed poses that pair targets at all."""
    claimed: dict[Source, Candidate] = {}
    by_labels = _by_labels(lists, claims.labelled)
    if by_labels is not None:
        claimed["labels"] = by_labels
    if claims.T_a_b is not None:
        R = claims.T_a_b[:3, :3]
        placed = pairing.refine(lists, R, R @ centroid_b + claims.T_a_b[:3, 3] - lists.a.centre)
        if placed is not None:
            claimed["placed"] = placed
    return claimed


def _certify(
    decision: _Decision,
    claimed: Mapping[Source, Candidate],
    lists: Lists,
    congruent: int,
    limits: Limits,
    centroid_b: np.ndarray,
) -> Match | NoMatch:
    """The match of a decision, unless it may be an accident, a line or a mirror image."""
    best, by = decision.best, decision.by
    expected_false = pairing.expected_false_matches(best.count, lists, congruent)
    by_chance = expected_false > limits.expected_false_max
    confirmed = _confirmed(best, claimed, lists)
    if by_chance and not confirmed:
        return NoMatch("by chance", best.count, decision.runner_up)
    rows_b = np.flatnonzero(best.partner >= 0)
    if consensus.width(lists.b[rows_b]) < limits.width_mm:
        return NoMatch("line", best.count)
    flat, off_plane = pairing.mirror_fits(lists, best) if lists.normal_b is None else (False, 0)
    if flat and not confirmed and (best.count < FLAT_LEAST or off_plane > OFF_PLANE_MAX * best.count):
        return NoMatch("flat", best.count)
    T = best.T_a_b.copy()
    T[:3, 3] += lists.a.centre - T[:3, :3] @ centroid_b
    if confirmed and by == "geometry" and (by_chance or flat):
        by = confirmed
    return Match(T, best.partner[rows_b], rows_b, best.rms_mm, decision.runner_up, expected_false, by, flat)


def _confirmed(best: Candidate, claimed: Mapping[Source, Candidate], lists: Lists) -> Source | None:
    """Name of a claim that agrees with ``best``, or None."""
    for by, claim in claimed.items():
        if claim.count >= LEAST and pairing.same_pose(claim, best, lists.b):
            return by
    return None


def _geometric(lists: Lists) -> tuple[list[Candidate], int]:
    """Distinct poses from geometry, each refined, and the number of congruent triples that led to the best.

    Triples of the whole list distinguish poses best, but miss what lies together at an edge. Triples of near targets
    find that, be it the match or a pose that contradicts it; they count as tries only where they found the best pose.
    """
    wide, exhaustive = pose_search.triples(lists.b, TRIPLES)
    poses, congruent = pairing.search(lists, wide)
    found = _refined(lists, poses)
    if exhaustive:
        return found, congruent
    near_poses, near_congruent = pairing.search(lists, pose_search.near_triples(lists.b, TRIPLES))
    more = [candidate for candidate in _refined(lists, near_poses) if pairing.is_new(candidate, found, lists.b)]
    most = max((candidate.count for candidate in found), default=0)
    better = any(candidate.count > most for candidate in more)
    return found + more, congruent + (near_congruent if better else 0)


def _refined(lists: Lists, poses: pose_search.Poses) -> list[Candidate]:
    """Distinct poses of a search, refined."""
    found: list[Candidate] = []
    most = 0
    for number in np.argsort(-poses.support, kind="stable"):
        if poses.support[number] < most / 3:
            break  # coarse support has open gates: with less, the refined pose can't come near the best
        candidate = pairing.refine(lists, poses.R[number], poses.t[number])
        if candidate is not None and pairing.is_new(candidate, found, lists.b):
            found.append(candidate)
            most = max(most, candidate.count)
    return found


def _by_labels(lists: Lists, labelled: np.ndarray | None) -> Candidate | None:
    """The pose that at least three quarters of the shared labels agree on, or None: numbers that each list counts for
    itself mean nothing, though a few of them may happen to agree."""
    if labelled is None or len(labelled) < LEAST:
        return None
    rows_a, rows_b = np.asarray(labelled).T
    distance_m = np.linalg.norm(lists.b[rows_b], axis=1) / 1000
    sd = np.sqrt(2) * np.hypot(lists.tolerance.noise_mm, lists.tolerance.drift_mm_per_m * distance_m)
    found = consensus.find(lists.a.xyz[rows_a], lists.b[rows_b], sd, consensus.gate(), LEAST)
    if isinstance(found, NotFound):
        return None
    claim = pairing.refine(lists, found.T_a_b[:3, :3], found.T_a_b[:3, 3])
    if claim is None:
        return None
    judged = claim.partner[rows_b] >= 0
    agrees = claim.partner[rows_b][judged] == rows_a[judged]
    return claim if agrees.sum() >= max(LEAST, AGREEING_MIN * len(agrees)) else None


def _decide(found: list[Candidate], claimed: Mapping[Source, Candidate], lists: Lists) -> _Decision | NoMatch:
    """The pose to believe among those found, the best first: by geometry where it has a clear lead, else by a claim."""
    best = found[0]
    rivals = [candidate for candidate in found[1:] if _contradicts(candidate, best)]
    runner_up = max((candidate.count for candidate in rivals), default=0)
    if runner_up <= max(LEAST - 1, best.count / 2):
        rival_support = ambiguity.rival_support(lists, best)
        if rival_support == 0:
            return _Decision(best, "geometry", runner_up)
        runner_up = max(runner_up, rival_support)
    for by, claim in claimed.items():
        if claim.count >= max(LEAST, AGREEING_MIN * best.count):
            others = (candidate.count for candidate in found if not pairing.same_pose(candidate, claim, lists.b))
            return _Decision(claim, by, max(others, default=runner_up))
    return NoMatch("ambiguous", best.count, runner_up)


def _contradicts(candidate: Candidate, best: Candidate) -> bool:
    """Whether a pose pairs targets otherwise than ``best``. A pose that explains only targets that ``best`` does not is
    another motion (a door, the ground) and no contradiction."""
    paired = candidate.partner >= 0
    other_a = np.isin(candidate.partner, best.partner[best.partner >= 0])
    clash = paired & ((best.partner >= 0) | other_a) & (candidate.partner != best.partner)
    return bool(clash.sum() > CLASH_MIN * paired.sum())
