"""Matches two lists of targets without labels, and certifies the answer or refuses.

An answer is certified when (1) it explains at least four targets, (2) unrelated targets would support a pose this well
less often than ``chance_max``, (3) no other pose that contradicts it explains more than half as many, (4) no other
place of the map looks so much like the one found that targets missing from the map could have decided between both, and
(5) a mirror image would not fit as well, which normals or targets off one plane show.
"""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from nightbay.matching import ambiguity, consensus, pairing, pose_search
from nightbay.matching.pairing import LEAST

TRIPLES = 400  # exhaustive up to 14 targets; else a pose with a third of the targets escapes once in a million
# A flat panel has more targets than this in one plane; of a curved one so many lie in one plane within noise only by
# an accident of one in a million, fewer often enough to take a mirror image for the original.
FLAT_LEAST = 8


class NoMatch(ValueError):
    """No certified answer: ``why`` ("few", "line", "flat", "ambiguous", "chance"), support of the best and next."""

    def __init__(self, why, count=0, runner_up=0):
        super().__init__(why)
        self.why, self.count, self.runner_up = why, count, runner_up


@dataclass(frozen=True)
class Match:
    """A certified match: pose, matched rows of both lists, and what the certificate rests on.

    ``runner_up``: targets that the best contradicting pose explains; ``chance``: how many poses with this support
    unrelated targets would give; ``by``: "geometry", "labels" or "placed", what settled it; ``flat``: a mirrored list
    would have matched too.
    """

    T_a_b: np.ndarray
    rows_a: np.ndarray
    rows_b: np.ndarray
    rms_mm: float
    runner_up: int
    chance: float
    by: str
    flat: bool


def match(xyz_a, xyz_b, tolerance, *, normal_a=None, normal_b=None, chance_max=1e-3, width_mm=30.0,
          labelled=None, T_guess=None, index=None):  # fmt: skip
    """Match targets b (n, 3) to targets a (m, 3), mm; returns a :class:`Match`.

    ``labelled`` (k, 2): rows (a, b) that labels hold for the same; ``T_guess``: a pose that is claimed for b. Both are
    tried as poses of their own, and may settle what geometry alone leaves ambiguous, never overrule it. ``index``: of
    a, where several lists are matched to it. ``width_mm``: least RMS distance of the common targets from one line.

    Raises :class:`NoMatch`.
    """
    if min(len(xyz_a), len(xyz_b)) < LEAST:
        raise NoMatch("few", min(len(xyz_a), len(xyz_b)))
    if consensus.width(xyz_b) < width_mm:
        raise NoMatch("line", len(xyz_b))
    index = pose_search.index(xyz_a, normal_a) if index is None else index
    middle_b = xyz_b.mean(axis=0)
    normal_b = None if len(index.normal) == 0 else normal_b
    lists = pairing.Lists(index, cKDTree(index.xyz), xyz_b - middle_b, normal_b, tolerance)
    found, congruent = _geometric(lists)
    claims = {"labels": _by_labels(lists, labelled), "placed": None}
    if T_guess is not None:
        R, t = T_guess[:3, :3], T_guess[:3, :3] @ middle_b + T_guess[:3, 3] - index.centre
        claims["placed"] = pairing.refine(lists, R, t)
    for claim in claims.values():
        if claim is not None and not any(pairing.agree(claim, one, lists.b) for one in found):
            found.append(claim)
    found.sort(key=lambda one: (-one.count, one.rms))
    if not found or found[0].count < LEAST:
        raise NoMatch("few", found[0].count if found else 0)
    best, by, runner_up = _settle(found, claims, lists)
    chance = pairing.chance(best.count, lists, congruent)
    confirmed = _confirmed(best, claims, lists)
    if chance > chance_max and not confirmed:
        raise NoMatch("chance", best.count, runner_up)
    rows_b = np.flatnonzero(best.partner >= 0)
    if consensus.width(xyz_b[rows_b]) < width_mm:
        raise NoMatch("line", best.count)
    flat, off_plane = pairing.flat(lists, best) if normal_b is None else (False, 0)
    if flat and not confirmed and (best.count < FLAT_LEAST or off_plane > best.count / 4):
        raise NoMatch("flat", best.count)
    T = best.T.copy()
    T[:3, 3] += index.centre - T[:3, :3] @ middle_b
    by = confirmed if by == "geometry" and (chance > chance_max or flat) and confirmed else by
    return Match(T, best.partner[rows_b], rows_b, best.rms, runner_up, chance, by, flat)


def _confirmed(best, claims, lists):
    """Name of a claim that says the same as ``best``, or None."""
    for by, claim in claims.items():
        if claim is not None and claim.count >= LEAST and pairing.agree(claim, best, lists.b):
            return by
    return None


def _geometric(lists):
    """Distinct poses from geometry, each refined, and the number of congruent triples that led to the best.

    Triples of the whole list tell poses apart best, but miss what lies together at an edge; triples of near targets
    find that, be it the answer or one that contradicts it. They count as tries only where they found the best pose.
    """
    wide, every = pose_search.triples(lists.b, TRIPLES)
    searched = pairing.search(lists, wide)
    found = _refined(lists, searched)
    if every:
        return found, searched.congruent
    again = pairing.search(lists, pose_search.near_triples(lists.b, TRIPLES))
    more = [one for one in _refined(lists, again) if not any(pairing.agree(one, other, lists.b) for other in found)]
    most = max((one.count for one in found), default=0)
    better = any(one.count > most for one in more)
    return found + more, searched.congruent + (again.congruent if better else 0)


def _refined(lists, searched):
    """Distinct poses of a search, refined."""
    found = []
    most = 0
    for at in np.argsort(-searched.count, kind="stable"):
        if searched.count[at] < most / 3:
            break  # coarse support counts with open gates: what lacks it here can't come near the best
        one = pairing.refine(lists, searched.R[at], searched.t[at])
        if one is not None and not any(pairing.agree(one, other, lists.b) for other in found):
            found.append(one)
            most = max(most, one.count)
    return found


def _by_labels(lists, labelled):
    """The pose that at least three quarters of the shared labels agree on, or None: numbers that each list counts for
    itself say nothing, though a few of them may happen to agree."""
    if labelled is None or len(labelled) < LEAST:
        return None
    rows_a, rows_b = np.asarray(labelled).T
    away_m = np.linalg.norm(lists.b[rows_b], axis=1) / 1000
    sd = np.sqrt(2) * np.hypot(lists.tolerance.noise_mm, lists.tolerance.drift_mm_per_m * away_m)
    found = consensus.find(lists.a.xyz[rows_a], lists.b[rows_b], sd, consensus.gate(), LEAST)
    claim = None if found is None else pairing.refine(lists, found.T_a_b[:3, :3], found.T_a_b[:3, 3])
    if claim is None:
        return None
    judged = claim.partner[rows_b] >= 0
    agrees = claim.partner[rows_b][judged] == rows_a[judged]
    return claim if agrees.sum() >= max(LEAST, 0.75 * len(agrees)) else None


def _settle(found, claims, lists):
    """The pose to believe, what settled it, and the support of the best pose that contradicts it."""
    best = found[0]
    rivals = [one for one in found[1:] if _contradicts(one, best)]
    runner_up = max((one.count for one in rivals), default=0)
    if runner_up <= max(LEAST - 1, best.count / 2):
        doubt = ambiguity.doubt(lists, best)
        if doubt == 0:
            return best, "geometry", runner_up
        runner_up = max(runner_up, doubt)
    for by, claim in claims.items():
        if claim is not None and claim.count >= max(LEAST, 0.75 * best.count):
            others = (one.count for one in found if not pairing.agree(one, claim, lists.b))
            return claim, by, max(others, default=runner_up)
    raise NoMatch("ambiguous", best.count, runner_up)


def _contradicts(one, best):
    """Whether a pose pairs targets otherwise than ``best``; one that explains only targets that ``best`` does not is
    another motion (a door, the ground), not another answer."""
    paired = one.partner >= 0
    other_a = np.isin(one.partner, best.partner[best.partner >= 0])
    clash = paired & ((best.partner >= 0) | other_a) & (one.partner != best.partner)
    return clash.sum() > 0.25 * paired.sum()
