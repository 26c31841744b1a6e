"""Pairs the targets of two lists under a pose, refines the pose, and says what its support is worth."""

from dataclasses import dataclass

import numpy as np
from scipy import stats
from scipy.spatial import cKDTree

from nightbay.core import rigid
from nightbay.matching import consensus, pose_search

LEAST = 4  # three targets make a pose, the fourth proves it
DISTINCT_MM = 15.0  # poses nearer than this everywhere are one; no two targets of a layout are so near by design


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
class Lists:
    """Targets a, indexed, with their tree, and targets b (n, 3) about their mean, with normals or None."""

    a: pose_search.Index
    tree: cKDTree
    b: np.ndarray
    normal_b: np.ndarray | None
    tolerance: Tolerance


@dataclass(frozen=True)
class Candidate:
    """A refined pose T_a_b (both lists centred), the row of a for each target of b or -1, their rms distance, mm."""

    T: np.ndarray
    partner: np.ndarray  # (n_b,) row of a, or -1
    rms: float

    @property
    def count(self):
        return int((self.partner >= 0).sum())


def search(lists, triples_b):
    """All poses that triples (t, 3) of the list b allow."""
    tolerance = lists.tolerance
    return pose_search.search(
        lists.a, lists.b, lists.normal_b, triples_b,
        point_mm=tolerance.point_mm, per_m=tolerance.per_m, normal_cos=np.cos(np.radians(tolerance.normal_deg)),
        least=LEAST, distinct_mm=DISTINCT_MM,
    )  # fmt: skip


def refine(lists, R, t):
    """Fit a pose to all targets that it brings together, the gate closing step by step; None with fewer than three."""
    T = rigid.pose(R, t)
    partner = None
    for step in range(25):
        opened = (8.0, 4.0, 2.0)[step] if step < 3 else 1.0
        now = partners(lists, T, opened)
        if partner is not None and step > 3 and np.array_equal(now, partner):
            break
        partner = now
        rows = np.flatnonzero(now >= 0)
        if len(rows) < 3:
            return None
        T = rigid.fit(lists.a.xyz[now[rows]], lists.b[rows])
    rows = np.flatnonzero(partner >= 0)
    off = rigid.transform(T, lists.b[rows]) - lists.a.xyz[partner[rows]]
    return Candidate(T, partner, float(np.sqrt((off**2).sum(axis=1).mean())))


def flat(lists, candidate):
    """Whether a mirror image would fit as well, and how many targets of b lie off the plane of the paired ones.

    Without normals, a flat pattern seen from behind is its own mirror image. A target at the height h over the plane
    would miss its partner by 2 h.
    """
    rows = np.flatnonzero(candidate.partner >= 0)
    middle = lists.b[rows].mean(axis=0)
    upright = np.linalg.svd(lists.b[rows] - middle, full_matrices=False)[2][2]
    miss = 2 * np.abs((lists.b - middle) @ upright)
    gate = 1.5 * (lists.tolerance.point_mm + lists.tolerance.per_m * np.linalg.norm(lists.b, axis=1) / 1000)
    return bool((miss[rows] <= gate[rows]).sum() > len(rows) / 2), int((miss > gate).sum())


def partners(lists, T, opened):
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


def agree(one, other, b):
    """Whether two poses are the same as far as the list b can tell."""
    return np.linalg.norm(rigid.transform(one.T, b) - rigid.transform(other.T, b), axis=1).max() < DISTINCT_MM


def chance(count, lists, congruent):
    """Expected number of poses that unrelated targets would support with ``count``: poses tried times the chance that
    the targets beyond the triple fall within the gate of one of a, were those strewn over a surface as densely."""
    gate = lists.tolerance.point_mm + lists.tolerance.per_m * np.linalg.norm(lists.b, axis=1).mean() / 1000
    spacing = np.median(lists.a.near[:, 1])
    hit = min(np.pi * gate**2 / max(spacing, gate) ** 2, 1.0)  # entries listed twice have no spacing
    return float(congruent * stats.binom.sf(count - 4, len(lists.b) - 3, hit))
