"""Assesses poses in which two thinned segments may fit: how much surface agrees, and how much contradicts.

The agreement alone is ambiguous: a load bay with even ribs agrees with itself after every shift by a rib, and the more
it overlaps, the better. Contradictions are more informative: surface in space that the other segment's scanner looked
through, and surface that forms a step with the other's. In the true pose both are rare, whatever the overlap.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from nightbay.core import rigid, robust
from nightbay.refine.coarse_match import ThinnedSegment

SAME_FACING = 0.9  # cosine of 25 deg: normals of a cell's mean are that rough near edges
GATES = (4.0, 4.0, 3.0, 3.0, 2.0, 2.0, 1.5, 1.5, 1.0, 1.0, 1.0, 1.0)  # cells; largest distance to a partner, by step
PARTNERS = 8  # of a cell: on a surface, a disc with a radius of NEAR cells holds seven
NEAR = 1.5  # cells: surface that a cell is compared with
STEP = 0.5  # cells: two surfaces whose planes lie further apart than that form a step
WIDE_GATES = (8.0, 8.0, 6.0, 6.0, 4.0, 4.0, *GATES)  # for starts that may be further off
LEAST_SD_MM = 1e-3  # of distances, where there is no noise
CONVERGED = 1e-3  # cells: a smaller step at the last gate is the last
SAMPLE = 600  # cells: enough to align two segments roughly
MATCHED = (
    0.1  # of the sampled cells, or of as many as the other segment has: with fewer partners two segments don't meet
)
SPREAD = 200  # cells: enough to say how far two poses lie apart
LEAST_PAIRS = 12  # of a rigid motion: twice its degrees of freedom
DISTINCT = 2.0  # cells: poses nearer to each other than that count as the same


@dataclass(frozen=True)
class Fit:
    """A pose ``T_a_b`` (4, 4) with the number of cells of both segments that agree, of those ``distinctive`` ones among
    them that lie off the large planes, and of those that contradict.

    Contradictions are compared with the distinctive cells: large planes agree in many poses.
    """

    T_a_b: np.ndarray
    agreeing: int
    distinctive: int
    contradicting: int

    @property
    def rate_least(self) -> float:
        """Lower bound of the rate of contradiction: the count less two of its standard deviations."""
        return float(max(self.contradicting - 2 * np.sqrt(self.contradicting), 0.0) / max(self.distinctive, 1))

    @property
    def rate_bound(self) -> float:
        """Upper bound of the rate of contradiction: the count plus two of its standard deviations and three cells."""
        return float((self.contradicting + 2 * np.sqrt(self.contradicting) + 3) / max(self.distinctive, 1))


def align(
    a: ThinnedSegment,
    tree: cKDTree,
    b: ThinnedSegment,
    T_a_b: np.ndarray,
    gates: Sequence[float] = GATES,
    sample: int = SAMPLE,
) -> np.ndarray | None:
    """The pose ``T_a_b`` (4, 4) after ICP steps on the thinned segments; None where these do not meet.

    Distances count along the mean of both normals, which converges faster on curved surfaces than one plane does
    (S. Rusinkiewicz, "A symmetric objective function for ICP", SIGGRAPH 2019). ``tree`` holds a's points; ``gates``:
    largest distance to a partner in each step, cells; at most about ``sample`` points of b, evenly chosen, take part.
    """
    chosen = slice(None, None, max(1, len(b.xyz_mm) // sample))
    for gate in gates:
        at, facing = rigid.transform(T_a_b, b.xyz_mm[chosen]), rigid.rotate(T_a_b, b.normal[chosen])
        distance, nearest = tree.query(at, distance_upper_bound=gate * a.cell_mm)
        pair = np.flatnonzero(np.isfinite(distance))
        cosine = np.sum(facing[pair] * a.normal[nearest[pair]], axis=1)
        if not (a.sided and b.sided):
            facing[pair[cosine < 0]] *= -1
            cosine = np.abs(cosine)
        pair = pair[cosine > SAME_FACING]
        if len(pair) < max(LEAST_PAIRS, MATCHED * len(at) * min(1.0, len(a.xyz_mm) / len(b.xyz_mm))):
            return None
        normal, partner = a.normal[nearest[pair]] + facing[pair], a.xyz_mm[nearest[pair]]
        normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        centre = at[pair].mean(axis=0)
        d = np.sum((partner - at[pair]) * normal, axis=1)
        lever = (at[pair] + partner) / 2 - centre
        J = np.hstack([np.cross(lever / 1000, normal), normal])  # rotations count at a metre
        weighted = J.T * (_weights(d) if gate == gates[-1] else 1.0)
        step = np.linalg.lstsq(weighted @ J, weighted @ d, rcond=1e-6)[0]  # what is hardly determined stays
        step[:3] /= 1000
        T_a_b = rigid.moved(T_a_b, step, centre)
        arm_mm = np.sqrt(np.mean(np.sum((at[pair] - centre) ** 2, axis=1)))
        moved_mm = np.hypot(np.linalg.norm(step[3:]), np.linalg.norm(step[:3]) * arm_mm)
        if gate == gates[-1] and moved_mm < CONVERGED * a.cell_mm:
            break
    return T_a_b


def _weights(d_mm: np.ndarray) -> np.ndarray:
    """Tukey's weights (n,) of distances, with a bound from their own spread: cells at edges lie off the surface."""
    sd_mm = robust.MAD_TO_SD * np.median(np.abs(d_mm))
    return robust.tukey(d_mm, robust.TUKEY_SD * max(float(sd_mm), LEAST_SD_MM))


def self_occluded(segment: ThinnedSegment, clear_mm: float) -> np.ndarray:
    """Cells (n,) bool with surface of the segment itself in front of them, within ``clear_mm``.

    Such cells do not show which space the scanner looked through.
    """
    return _occluded(segment, cKDTree(segment.xyz_mm), NEAR, clear_mm)


def compare(
    a: ThinnedSegment,
    b: ThinnedSegment,
    T_a_b: np.ndarray,
    occluded: tuple[np.ndarray, np.ndarray],
    clear_mm: float,
    step_mm: float = np.inf,
) -> Fit:
    """The :class:`Fit` of a pose, both segments compared with each other.

    ``occluded``: :func:`self_occluded` of a and of b; ``clear_mm``: how far in front of a surface its scanner looked
    through; ``step_mm``: distance of two surfaces that noise does not explain, where it is below :data:`STEP` cells. A
    cell contradicts where most of its neighbours do: at edges and by noise single ones do in every pose.
    """
    agreeing = distinctive = contradicting = 0
    step_mm = min(step_mm, STEP * a.cell_mm)
    for segment, other, T, own in ((a, b, T_a_b, occluded[0]), (b, a, rigid.invert(T_a_b), occluded[1])):
        tree = cKDTree(rigid.transform(T, other.xyz_mm))
        offset_mm = _plane_offsets_mm(segment, other, tree, rigid.rotate(T, other.normal))
        near = np.isfinite(offset_mm)
        against = near & (offset_mm > step_mm)
        if segment.sided:
            against |= _occluded(segment, tree, STEP, clear_mm) & ~own
        agrees = near & ~against
        votes = segment.neighbours @ np.column_stack([against, agrees]).astype(np.float32)
        agreeing += int(np.count_nonzero(agrees))
        distinctive += int(np.count_nonzero(agrees & segment.distinctive))
        contradicting += int(np.count_nonzero(against & (votes[:, 0] > votes[:, 1])))
    return Fit(T_a_b, agreeing, distinctive, contradicting)


def offsets_mm(a: ThinnedSegment, b: ThinnedSegment, T_a_b: np.ndarray) -> np.ndarray:
    """How far each cell of b lies from the surface of a in a pose, mm, of those that are near a surface of a that faces
    the same way, (k,)."""
    at = replace(b, xyz_mm=rigid.transform(T_a_b, b.xyz_mm), normal=rigid.rotate(T_a_b, b.normal))
    offset_mm = _plane_offsets_mm(at, a, cKDTree(a.xyz_mm), a.normal)
    return offset_mm[np.isfinite(offset_mm)]


def cosines(a: ThinnedSegment, b: ThinnedSegment, normals_a: np.ndarray, normals_b: np.ndarray) -> np.ndarray:
    """Cosines (n,) of the angles between normals (n, 3) of two segments, without sign where sides aren't known."""
    cosine = np.sum(normals_a * normals_b, axis=-1)
    return cosine if a.sided and b.sided else np.abs(cosine)


def _plane_offsets_mm(segment: ThinnedSegment, other: ThinnedSegment, tree: cKDTree, normals: np.ndarray) -> np.ndarray:
    """How far each cell lies from the nearest surface of the tree that faces the same way, along the normals, (n,) mm.

    ``normals``: those of the ``other`` segment, turned as the tree's points are.

    Infinite where there is none within :data:`NEAR` cells. The best of some partners counts, since a cell at the edge
    of a step averages both sides, and the nearer of both planes, since at a rim a normal may lean.
    """
    distance, partner = tree.query(segment.xyz_mm, k=PARTNERS, distance_upper_bound=NEAR * segment.cell_mm)
    found = np.isfinite(distance)
    partner = np.where(found, partner, 0)
    facing = normals[partner]
    same = found & (cosines(segment, other, facing, segment.normal[:, None]) > SAME_FACING)
    apart = tree.data[partner] - segment.xyz_mm[:, None]
    by_own, by_other = np.einsum("nkj,nj->nk", apart, segment.normal), np.einsum("nkj,nkj->nk", apart, facing)
    return np.where(same, np.minimum(np.abs(by_own), np.abs(by_other)), np.inf).min(axis=1)


def _occluded(segment: ThinnedSegment, tree: cKDTree, within: float, clear_mm: float) -> np.ndarray:
    """Cells (n,) bool in front of which the tree has points, ``within`` so many cells of the cell's normal."""
    occluded = np.zeros(len(segment.xyz_mm), bool)
    cell_mm, left = segment.cell_mm, np.arange(len(segment.xyz_mm))
    for height_mm in np.arange(2 * cell_mm, max(clear_mm, 3 * cell_mm), cell_mm):
        above = segment.xyz_mm[left] + height_mm * segment.normal[left]
        hit = np.isfinite(tree.query(above, distance_upper_bound=within * cell_mm)[0])
        occluded[left[hit]] = True
        left = left[~hit]
    return occluded


def distinct_fits(
    a: ThinnedSegment,
    b: ThinnedSegment,
    poses: Iterable[np.ndarray],
    gates: Sequence[float],
    clear_mm: float,
    step_mm: float = np.inf,
    sample: int = SAMPLE,
) -> list[Fit]:
    """Fits of these poses ``T_a_b`` after alignment, without duplicates, sorted by :attr:`Fit.rate_bound`.

    ``gates`` and ``sample`` as in :func:`align`, ``clear_mm`` and ``step_mm`` as in :func:`compare`.
    """
    tree = cKDTree(a.xyz_mm)
    starts: list[np.ndarray] = []
    found: list[np.ndarray] = []
    for start in poses:
        if not all(distinct(b, start, other) for other in starts):
            continue
        starts.append(start)
        T_a_b = align(a, tree, b, start, gates, sample)
        if T_a_b is not None and all(distinct(b, T_a_b, other) for other in found):
            found.append(T_a_b)
    occluded = self_occluded(a, clear_mm), self_occluded(b, clear_mm)
    fits = [compare(a, b, T_a_b, occluded, clear_mm, step_mm) for T_a_b in found]
    return sorted(fits, key=lambda fit: (fit.rate_bound, *fit.T_a_b.ravel()))


def distinct(b: ThinnedSegment, T_a_b: np.ndarray, other_a_b: np.ndarray) -> bool:
    """Whether two poses of b are different ones."""
    return _rms_distance_mm(b, T_a_b, other_a_b) > DISTINCT * b.cell_mm


def _rms_distance_mm(b: ThinnedSegment, T_a_b: np.ndarray, other_a_b: np.ndarray) -> float:
    """Root mean square distance of b's cells between two poses."""
    apart = (T_a_b - other_a_b)[:3]
    moved = b.xyz_mm[:: max(1, len(b.xyz_mm) // SPREAD)] @ apart[:, :3].T + apart[:, 3]
    return float(np.sqrt(np.mean(np.sum(moved**2, axis=1))))
