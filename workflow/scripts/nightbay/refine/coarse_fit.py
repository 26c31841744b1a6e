"""Judges poses in which two thinned segments may fit: how much surface agrees, and how much contradicts.

How much agrees tells little: a bay of even ribs agrees with itself in every shift by a rib, and better the more it
overlaps. What contradicts tells: surface that stands where the other segment's scanner has looked through, and surface
that passes the other's in a step. In the true pose both are rare, whatever the overlap.
"""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from nightbay.core import rigid
from nightbay.refine.result import CandidatePose

SAME_FACING = 0.9  # cosine of 25 deg: normals of a cell's mean are that rough near edges
GATES = (4.0, 4.0, 3.0, 3.0, 2.0, 2.0, 1.5, 1.5, 1.0, 1.0, 1.0, 1.0)  # cells; how far a partner may be, step by step
PARTNERS = 8  # of a cell: the disc of one and a half cells about a place on a surface holds seven
POLISHED = 2500  # cells are plenty to tell one basin from another
CLEAR_MM = 300.0  # a hand-held scanner stands further than that from what it measures (common practice, no source)


@dataclass(frozen=True)
class Fit:
    """A pose ``T_a_b`` with the number of cells of both segments that agree and that contradict."""

    T_a_b: np.ndarray
    agree: int
    conflict: int

    @property
    def rate(self):
        """Cells that contradict for each that agrees."""
        return self.conflict / max(self.agree, 1)

    @property
    def rate_bound(self):
        """The rate that chance may make of this one: two standard deviations of a count more, three cells at least."""
        return (self.conflict + 2 * np.sqrt(self.conflict) + 3) / max(self.agree, 1)

    @property
    def record(self) -> CandidatePose:
        """What the result says of this pose."""
        return CandidatePose(self.T_a_b, self.agree, self.conflict)


def polish(a, tree, b, T_a_b):
    """The pose after a few point-to-plane steps on the thinned segments, nearest partners within a shrinking gate.

    ``tree`` holds a's points; of b's, an even choice of :data:`POLISHED` takes part.
    """
    chosen = slice(None, None, max(1, len(b.xyz_mm) // POLISHED))
    for gate in GATES:
        at, facing = rigid.transform(T_a_b, b.xyz_mm[chosen]), rigid.rotate(T_a_b, b.normal[chosen])
        distance, nearest = tree.query(at, distance_upper_bound=gate * a.cell_mm)
        pair = np.flatnonzero(np.isfinite(distance))
        pair = pair[np.sum(facing[pair] * a.normal[nearest[pair]], axis=1) > SAME_FACING]
        if len(pair) < 12:
            return T_a_b
        normal, partner = a.normal[nearest[pair]], a.xyz_mm[nearest[pair]]
        centre = at[pair].mean(axis=0)
        d = np.sum((partner - at[pair]) * normal, axis=1)
        J = np.hstack([np.cross((at[pair] - centre) / 1000, normal), normal])
        step = np.linalg.lstsq(J.T @ J, J.T @ d, rcond=1e-6)[0]  # what is hardly determined stays
        turn = Rotation.from_rotvec(step[:3] / 1000).as_matrix()
        T_a_b = rigid.pose(turn, centre - turn @ centre + step[3:]) @ T_a_b
    return T_a_b


def narrow(one):
    """Cells (n,) bool of a segment that it stands in front of itself: they can't tell what was looked through."""
    return _blocked(one, cKDTree(one.xyz_mm), 1.5)


def judge(a, b, T_a_b, blocked):
    """The :class:`Fit` of a pose, both segments compared with each other; ``blocked``: :func:`narrow` of a and of b."""
    agree = conflict = 0
    for one, other, T, own in ((a, b, T_a_b, blocked[0]), (b, a, rigid.invert(T_a_b), blocked[1])):
        seen = rigid.transform(T, other.xyz_mm)
        tree = cKDTree(seen)
        off = _step(one, tree, rigid.rotate(T, other.normal))
        agree += int(np.count_nonzero(off < 0.5))
        through = _blocked(one, tree, 0.5) & ~own
        conflict += int(np.count_nonzero(through | (np.isfinite(off) & (off > 0.5))))
    return Fit(T_a_b, agree, conflict)


def _step(one, tree, normals):
    """How far each cell's plane passes by the nearest surface of the tree that faces the same way, (n,) in cells.

    Infinite where there is none within a cell and a half. The best of some partners counts, since a cell at the rim of
    a step averages both sides.
    """
    distance, partner = tree.query(one.xyz_mm, k=PARTNERS, distance_upper_bound=1.5 * one.cell_mm)
    there = np.isfinite(distance)
    partner = np.where(there, partner, 0)
    same = there & (np.einsum("nkj,nj->nk", normals[partner], one.normal) > SAME_FACING)
    way = tree.data[partner] - one.xyz_mm[:, None]
    off = np.abs(np.einsum("nkj,nj->nk", way, one.normal)) / one.cell_mm
    return np.where(same, off, np.inf).min(axis=1)


def _blocked(one, tree, within):
    """Cells (n,) bool of a segment that the tree has points in front of, ``within`` so many cells of their normal."""
    blocked = np.zeros(len(one.xyz_mm), bool)
    for height in np.arange(2 * one.cell_mm, max(CLEAR_MM, 3 * one.cell_mm), one.cell_mm):
        distance, _ = tree.query(one.xyz_mm + height * one.normal, distance_upper_bound=within * one.cell_mm)
        blocked |= np.isfinite(distance)
    return blocked


def basins(a, b, poses):
    """Distinct :class:`Fit` of these poses, the one that contradicts the scans least first."""
    tree = cKDTree(a.xyz_mm)
    distinct = []
    for T_a_b in poses:
        T_a_b = polish(a, tree, b, T_a_b)
        if all(_way_mm(b, T_a_b, other) > 2 * a.cell_mm for other in distinct):
            distinct.append(T_a_b)
    both = narrow(a), narrow(b)
    fits = [judge(a, b, T_a_b, both) for T_a_b in distinct]
    return sorted(fits, key=lambda fit: (fit.rate_bound, *fit.T_a_b.ravel()))


def _way_mm(b, T_a_b, other_a_b):
    """Root mean square distance of b's cells between two poses."""
    way = rigid.transform(T_a_b, b.xyz_mm) - rigid.transform(other_a_b, b.xyz_mm)
    return float(np.sqrt(np.mean(np.sum(way**2, axis=1))))
