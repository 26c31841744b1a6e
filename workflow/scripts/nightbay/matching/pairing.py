"""Pairs the targets of two lists under a pose, refines the pose, and rates its support."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from nightbay.core import distributions, rigid
from nightbay.matching import consensus, pose_search

LEAST = 4  # common targets: three make a pose, the fourth proves it
DISTINCT_MM = 15.0  # poses nearer than this everywhere are the same; no layout has targets so near to each other
# How far the gate is opened in the first steps of a refinement, in units of the tolerance: a pose by three targets is
# uncertain by several tolerances at the far end of a list. 25 steps are never reached, pairs are stable before.
OPENED = (8.0, 4.0, 2.0)
REFINE_STEPS = 25
# A mirrored target has to miss its partner by more than this many tolerances to show the mirror image.
MIRROR_TOLERANCES = 1.5


@dataclass(frozen=True)
class Tolerance:
    """How well the same target agrees between two lists: ``noise_mm`` (sd of a coordinate in one list) and
    ``drift_mm_per_m``; ``normal_deg``, the largest angle between its normals."""

    noise_mm: float
    drift_mm_per_m: float
    normal_deg: float = 20.0

    @property
    def point_mm(self) -> float:
        """Allowed distance of a target from its partner: noise of both lists at the 0.1 % limit."""
        return float(consensus.gate() * np.sqrt(2) * self.noise_mm)

    @property
    def per_m(self) -> float:
        """What drift of both lists adds for a metre of distance, at three standard deviations."""
        return float(3 * np.sqrt(2) * self.drift_mm_per_m)

    @property
    def normal_cos(self) -> float:
        """Least cosine of the angle between the normals of a target."""
        return float(np.cos(np.radians(self.normal_deg)))


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
    """A refined pose ``T_a_b`` (both lists centred), ``partner`` (n_b,) the row of a for each target of b or -1, and
    the rms distance of the pairs."""

    T_a_b: np.ndarray
    partner: np.ndarray
    rms_mm: float

    @property
    def count(self) -> int:
        """Number of paired targets, the support of the pose."""
        return int((self.partner >= 0).sum())


def search(lists: Lists, triples_b: np.ndarray) -> tuple[pose_search.Poses, int]:
    """All poses that triples (t, 3) of the list b allow, and the number of congruent triples tried."""
    tolerance = lists.tolerance
    tolerances = pose_search.Tolerances(
        point_mm=tolerance.point_mm,
        per_mm=tolerance.per_m / 1000,
        normal_cos=tolerance.normal_cos,
        least=LEAST,
        distinct_mm=DISTINCT_MM,
    )
    return pose_search.search(lists.a, lists.b, lists.normal_b, triples_b, tolerances)


def refine(lists: Lists, R: np.ndarray, t: np.ndarray) -> Candidate | None:
    """Fit a pose to all targets that it brings together, the gate closing step by step; None with fewer than three."""
    T = rigid.pose(R, t)
    partner = np.empty(0, np.int64)
    for step in range(REFINE_STEPS):
        found = partners(lists, T, OPENED[step] if step < len(OPENED) else 1.0)
        if step > len(OPENED) and np.array_equal(found, partner):
            break
        partner = found
        rows = np.flatnonzero(found >= 0)
        if len(rows) < 3:
            return None
        T = rigid.fit(lists.a.xyz[found[rows]], lists.b[rows])
    rows = np.flatnonzero(partner >= 0)
    off = rigid.transform(T, lists.b[rows]) - lists.a.xyz[partner[rows]]
    return Candidate(T, partner, float(np.sqrt((off**2).sum(axis=1).mean())))


def mirror_fits(lists: Lists, candidate: Candidate) -> tuple[bool, int]:
    """Whether a mirror image would fit as well, and how many targets of b lie off the plane of the paired ones.

    Without normals, a flat pattern seen from behind is its own mirror image. A target at the height h over the plane
    would miss its partner by 2 h.
    """
    rows = np.flatnonzero(candidate.partner >= 0)
    centroid = lists.b[rows].mean(axis=0)
    upright = np.linalg.svd(lists.b[rows] - centroid, full_matrices=False)[2][2]
    miss = 2 * np.abs((lists.b - centroid) @ upright)
    distance_m = np.linalg.norm(lists.b, axis=1) / 1000
    gate = MIRROR_TOLERANCES * (lists.tolerance.point_mm + lists.tolerance.per_m * distance_m)
    return bool((miss[rows] <= gate[rows]).sum() > len(rows) / 2), int((miss > gate).sum())


def partners(lists: Lists, T_a_b: np.ndarray, opened: float) -> np.ndarray:
    """Row of a for each target of b, one to one and nearest first, or -1; ``opened``: the gate in units of the
    tolerance."""
    placed = rigid.transform(T_a_b, lists.b)
    distance_m = np.linalg.norm(lists.b, axis=1) / 1000
    tolerance_mm = lists.tolerance.point_mm + lists.tolerance.per_m * distance_m
    gate = np.minimum(opened * tolerance_mm, pose_search.GATE_MAX_MM)
    distance, row = lists.tree.query(placed)
    fits = distance < gate
    if lists.normal_b is not None:
        cosine = np.einsum("ni,ni->n", rigid.rotate(T_a_b, lists.normal_b), lists.a.normal[row])
        fits &= cosine >= lists.tolerance.normal_cos
    partner = np.full(len(placed), -1)
    order = np.flatnonzero(fits)[np.argsort(distance[fits], kind="stable")]
    _, first = np.unique(row[order], return_index=True)
    partner[order[first]] = row[order[first]]
    return partner


def same_pose(candidate: Candidate, other: Candidate, b: np.ndarray) -> bool:
    """Whether two poses are the same within :data:`DISTINCT_MM` at all targets b (n, 3)."""
    apart = rigid.transform(candidate.T_a_b, b) - rigid.transform(other.T_a_b, b)
    return bool(np.linalg.norm(apart, axis=1).max() < DISTINCT_MM)


def is_new(candidate: Candidate, found: Sequence[Candidate], b: np.ndarray) -> bool:
    """Whether a pose is none of those found already."""
    return not any(same_pose(candidate, other, b) for other in found)


def expected_false_matches(count: int, lists: Lists, congruent: int) -> float:
    """Expected number of poses that unrelated targets would support with ``count``.

    It is the number of poses tried times the probability that the targets beyond the triple fall within the gate of
    some target of a, if those were strewn over a surface as densely.
    """
    gate = lists.tolerance.point_mm + lists.tolerance.per_m * np.linalg.norm(lists.b, axis=1).mean() / 1000
    spacing = np.median(lists.a.near[:, 1])
    hit = min(np.pi * gate**2 / max(spacing, gate) ** 2, 1.0)  # entries listed twice have no spacing
    return float(congruent * distributions.binomial_tail(count - 4, len(lists.b) - 3, hit))
