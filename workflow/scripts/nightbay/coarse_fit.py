"""Judges poses in which two thinned segments may fit: how much surface agrees, and how much stands where the other
segment's scanner has looked through."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from nightbay import rigid

SAME_FACING = 0.9  # cosine of 25 deg: normals of a cell's mean are that rough near edges
GATES = (4.0, 4.0, 3.0, 3.0, 2.0, 2.0, 1.5, 1.5, 1.0, 1.0, 1.0, 1.0)  # cells; how far a partner may be, step by step
POLISHED = 2500  # cells are plenty to tell one basin from another
CLEAR_MM = 300.0  # a hand-held scanner stands further than that from what it measures (common practice, no source)


@dataclass(frozen=True)
class Fit:
    """A pose ``T_a_b`` with the number of cells of both segments that agree, and that stand in seen-through space."""

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
    def numbers(self):
        """What the result says of this pose."""
        return {"T_a_b": self.T_a_b.tolist(), "agree": self.agree, "conflict": self.conflict}


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
        step = np.linalg.lstsq(J, d, rcond=1e-3)[0]  # what is hardly determined stays
        turn = Rotation.from_rotvec(step[:3] / 1000).as_matrix()
        T_a_b = rigid.pose(turn, centre - turn @ centre + step[3:]) @ T_a_b
    return T_a_b


def judge(a, b, T_a_b, narrow):
    """The :class:`Fit` of a pose, both segments compared with each other.

    ``narrow``: of a and of b, cells (n,) bool that their own segment stands in front of, which can't tell.
    """
    agree = conflict = 0
    for one, other, T, own in ((a, b, T_a_b, narrow[0]), (b, a, rigid.invert(T_a_b), narrow[1])):
        seen = rigid.transform(T, other.xyz_mm)
        tree = cKDTree(seen)
        distance, nearest = tree.query(one.xyz_mm, distance_upper_bound=1.5 * one.cell_mm)
        near = np.flatnonzero(np.isfinite(distance))
        normal = one.normal[near]
        same = np.sum(normal * rigid.rotate(T, other.normal[nearest[near]]), axis=1) > SAME_FACING
        off = np.abs(np.sum((seen[nearest[near]] - one.xyz_mm[near]) * normal, axis=1))
        agree += int(np.count_nonzero(same & (off < 0.5 * one.cell_mm)))
        conflict += int(np.count_nonzero(_blocked(one, tree, 0.5) & ~own))
    return Fit(T_a_b, agree, conflict)


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
    narrow = _blocked(a, tree, 1.5), _blocked(b, cKDTree(b.xyz_mm), 1.5)
    distinct = []
    for T_a_b in poses:
        T_a_b = polish(a, tree, b, T_a_b)
        if all(_way_mm(b, T_a_b, other) > 2 * a.cell_mm for other in distinct):
            distinct.append(T_a_b)
    fits = [judge(a, b, T_a_b, narrow) for T_a_b in distinct]
    return sorted(fits, key=lambda fit: (fit.rate_bound, *fit.T_a_b.ravel()))


def _way_mm(b, T_a_b, other_a_b):
    """Root mean square distance of b's cells between two poses."""
    way = rigid.transform(T_a_b, b.xyz_mm) - rigid.transform(other_a_b, b.xyz_mm)
    return float(np.sqrt(np.mean(np.sum(way**2, axis=1))))
