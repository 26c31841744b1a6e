"""Matches two lists of targets without labels, and certifies the answer or refuses.

An answer is certified when (1) it explains at least four targets, (2) unrelated targets would support a pose this well
less often than ``chance_max``, and (3) no other pose that contradicts it explains more than half as many. The last
holds for regular and symmetric layouts too: where every fourth target is missing, a grid moved by one pitch can explain
more than the truth, so a lead of one or two targets proves nothing there.
"""

from dataclasses import dataclass

import numpy as np
from scipy import stats
from scipy.spatial import cKDTree

from nightbay import consensus, matching_search, rigid

TRIPLES = 400  # exhaustive up to 14 targets; else a pose with a third of the targets escapes once in a million
DISTINCT_MM = 15.0  # poses nearer than this everywhere are one; no two targets of a layout are so near by design
LEAST = 4


class NoMatch(ValueError):
    """No certified answer. ``why``: "few", "line", "ambiguous", "chance"; ``count``, ``runner_up`` of the best pose."""

    def __init__(self, why, count=0, runner_up=0):
        super().__init__(why)
        self.why, self.count, self.runner_up = why, count, runner_up


@dataclass(frozen=True)
class Tolerance:
    """How well the same target agrees between two lists: ``noise_mm`` (sd of a coordinate in one list) and
    ``drift_mm_per_m``; ``normal_deg``, the largest angle between its normals."""

    noise_mm: float
    drift_mm_per_m: float
    normal_deg: float = 20.0

    @property
    def point_mm(self):
        """Allowed distance of a target from its partner: noise of both lists at the 0.1 % limit."""
        return consensus.gate() * np.sqrt(2) * self.noise_mm

    @property
    def per_m(self):
        """What drift of both lists adds for a metre of distance, at three standard deviations."""
        return 3 * np.sqrt(2) * self.drift_mm_per_m


@dataclass(frozen=True)
class Match:
    """A certified match: pose, matched rows of both lists, and what the certificate rests on.

    ``runner_up``: targets that the best contradicting pose explains; ``chance``: how many poses with this support
    unrelated targets would give; ``by``: "geometry", "labels" or "placed", what settled it.
    """

    T_a_b: np.ndarray
    rows_a: np.ndarray
    rows_b: np.ndarray
    rms_mm: float
    runner_up: int
    chance: float
    by: str


@dataclass(frozen=True)
class _Candidate:
    T: np.ndarray
    partner: np.ndarray  # (n_b,) row of a, or -1
    rms: float

    @property
    def count(self):
        return int((self.partner >= 0).sum())


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
    index = matching_search.index(xyz_a, normal_a) if index is None else index
    normal_b = None if len(index.normal) == 0 else normal_b
    lists = _Lists(index, cKDTree(index.xyz), xyz_b - xyz_b.mean(axis=0), normal_b, tolerance)
    found, searched = _geometric(lists)
    middle_b = xyz_b.mean(axis=0)
    claims = {"labels": _by_labels(lists, labelled), "placed": None}
    if T_guess is not None:
        claims["placed"] = _refine(lists, T_guess[:3, :3], T_guess[:3, :3] @ middle_b + T_guess[:3, 3] - index.centre)
    for claim in claims.values():
        if claim is not None and not any(_agree(claim, one, lists.b) for one in found):
            found.append(claim)
    found.sort(key=lambda one: (-one.count, one.rms))
    best, by, runner_up = _settle(found, claims, lists)
    chance = _chance(best.count, lists, searched.congruent)
    if best.count == LEAST - 1 or chance > chance_max:
        raise NoMatch("few" if best.count < LEAST else "chance", best.count, runner_up)
    rows_b = np.flatnonzero(best.partner >= 0)
    if consensus.width(xyz_b[rows_b]) < width_mm:
        raise NoMatch("line", best.count)
    T = best.T.copy()
    T[:3, 3] += index.centre - T[:3, :3] @ middle_b
    return Match(T, best.partner[rows_b], rows_b, best.rms, runner_up, chance, by)


@dataclass(frozen=True)
class _Lists:
    a: matching_search.Index
    tree: cKDTree
    b: np.ndarray
    normal_b: np.ndarray | None
    tolerance: Tolerance


def _geometric(lists):
    """Distinct poses from geometry, each refined, and the search they come from."""
    tolerance = lists.tolerance
    triples, _ = matching_search.triples(lists.b, TRIPLES)
    searched = matching_search.search(
        lists.a, lists.b, lists.normal_b, triples,
        point_mm=tolerance.point_mm, per_m=tolerance.per_m, normal_cos=np.cos(np.radians(tolerance.normal_deg)),
        least=LEAST, distinct_mm=DISTINCT_MM,
    )  # fmt: skip
    found = []
    most = 0
    for at in np.argsort(-searched.count, kind="stable"):
        if searched.count[at] < most / 3:
            break  # coarse support counts with open gates: what lacks it here can't come near the best
        one = _refine(lists, searched.R[at], searched.t[at])
        if one is not None and not any(_agree(one, other, lists.b) for other in found):
            found.append(one)
            most = max(most, one.count)
    return found, searched


def _refine(lists, R, t):
    """Fit a pose to all targets that it brings together, the gate closing step by step; None with fewer than three."""
    T = rigid.pose(R, t)
    partner = None
    for step in range(25):
        opened = (8.0, 4.0, 2.0)[step] if step < 3 else 1.0
        now = _partners(lists, T, opened)
        if partner is not None and step > 3 and np.array_equal(now, partner):
            break
        partner = now
        rows = np.flatnonzero(now >= 0)
        if len(rows) < 3:
            return None
        T = rigid.fit(lists.a.xyz[now[rows]], lists.b[rows])
    rows = np.flatnonzero(partner >= 0)
    off = rigid.transform(T, lists.b[rows]) - lists.a.xyz[partner[rows]]
    return _Candidate(T, partner, float(np.sqrt((off**2).sum(axis=1).mean())))


def _partners(lists, T, opened):
    """Row of a for each target of b, one to one and nearest first, or -1."""
    placed = rigid.transform(T, lists.b)
    away_m = np.linalg.norm(lists.b, axis=1) / 1000
    gate = np.minimum(opened * (lists.tolerance.point_mm + lists.tolerance.per_m * away_m), 12.0)
    distance, row = lists.tree.query(placed)
    fits = distance < gate
    if lists.normal_b is not None:
        cosine = np.einsum("ni,ni->n", rigid.rotate(T, lists.normal_b), lists.a.normal[row])
        fits &= cosine >= np.cos(np.radians(lists.tolerance.normal_deg))
    partner = np.full(len(placed), -1)
    order = np.flatnonzero(fits)[np.argsort(distance[fits], kind="stable")]
    _, first = np.unique(row[order], return_index=True)
    partner[order[first]] = row[order[first]]
    return partner


def _agree(one, other, b):
    """Whether two poses are the same as far as the list b can tell."""
    return np.linalg.norm(rigid.transform(one.T, b) - rigid.transform(other.T, b), axis=1).max() < DISTINCT_MM


def _by_labels(lists, labelled):
    """The pose that most labels agree on, or None."""
    if labelled is None or len(labelled) < LEAST:
        return None
    rows_a, rows_b = np.asarray(labelled).T
    away_m = np.linalg.norm(lists.b[rows_b], axis=1) / 1000
    sd = np.sqrt(2) * np.hypot(lists.tolerance.noise_mm, lists.tolerance.drift_mm_per_m * away_m)
    found = consensus.find(lists.a.xyz[rows_a], lists.b[rows_b], sd, consensus.gate(), LEAST)
    return None if found is None else _refine(lists, found.T_a_b[:3, :3], found.T_a_b[:3, 3])


def _settle(found, claims, lists):
    """The pose to believe, what settled it, and the support of the best pose that contradicts it."""
    if not found:
        raise NoMatch("few", 3)
    best = found[0]
    rivals = [one for one in found[1:] if _contradicts(one, best)]
    runner_up = max((one.count for one in rivals), default=0)
    if runner_up <= max(LEAST - 1, best.count / 2):
        return best, "geometry", runner_up
    if best.count < LEAST:
        raise NoMatch("few", best.count, runner_up)
    for by, claim in claims.items():
        if claim is not None and claim.count >= max(LEAST, 0.75 * best.count):
            return claim, by, max(one.count for one in found if not _agree(one, claim, lists.b))
    raise NoMatch("ambiguous", best.count, runner_up)


def _contradicts(one, best):
    """Whether a pose pairs targets otherwise than ``best``; one that explains only targets that ``best`` does not is
    another motion (a door, the ground), not another answer."""
    paired = one.partner >= 0
    other_a = np.isin(one.partner, best.partner[best.partner >= 0])
    clash = paired & ((best.partner >= 0) | other_a) & (one.partner != best.partner)
    return clash.sum() > 0.25 * paired.sum()


def _chance(count, lists, congruent):
    """Expected number of poses that unrelated targets would support with ``count``: poses tried times the chance that
    the targets beyond the triple fall within the gate of one of a, were those strewn over a surface as densely."""
    gate = lists.tolerance.point_mm + lists.tolerance.per_m * np.linalg.norm(lists.b, axis=1).mean() / 1000
    spacing = np.median(lists.a.near[:, 1])
    hit = min(np.pi * gate**2 / spacing**2, 1.0)
    return float(congruent * stats.binom.sf(count - 4, len(lists.b) - 3, hit))
