"""Contradictions of a join: surface of one part in space that the other part's scanner looked through.

A scanner stood in front of every point that it recorded, so the space in front of a surface is free up to some
distance. An interior wall that passes through the outer skin comes to lie in the space in front of that skin.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.spatial import cKDTree

from nightbay.core import rigid, thinning
from nightbay.join.skin import Skin

CLEAR_MM = 240.0  # hand-held scanners come no nearer than about 0.3 m (common practice, no source)
START = 2.0  # cells: nearer to the surface its own roughness and another's edge can't be told from each other
STEP_MOST_MM = 100.0  # beyond, it may be a thing that stands free in the room
AROUND = 4  # points about a foot: fewer are a strip or an edge
OVERHANG = 0.4  # cells: on a straight edge the middle of a disc of 1.5 cells lies 0.64 off (geometry)
SAME_FACING = 0.9  # cosine of 26 degrees
PARTNERS = 8  # of a cell: on a surface, a disc of 1.5 cells holds seven
OPPOSED = 0.8  # cosine of 37 degrees: inner and outer face of one wall
OUTLIERS = 3.0  # cells that contradict by chance, as the stage refine has them
COMMON_LEAST = 150  # cells
NEAR = 0.9  # cells: half the diagonal of a cube, so that a surface in free space meets one sample at least


@dataclass(frozen=True)
class FreeSpace:
    """The space in front of a part's surface: ``cells``, the thinned surface; samples of the free space, (n, 3)."""

    cells: Skin

    @cached_property
    def samples_mm(self) -> np.ndarray:
        """Points (n, 3), one in each cell, in front of the surface, up to the part's own next surface."""
        cell = self.cells.spacing_mm
        open_ = np.ones(len(self.cells.points_mm), bool)
        layers = []
        for height in np.arange(START * cell, max(CLEAR_MM, (START + 1) * cell), cell):
            at = self.cells.points_mm + height * self.cells.normals
            distance, _ = self.cells.tree.query(at, distance_upper_bound=START * cell)
            open_ &= ~np.isfinite(distance)
            layers.append(at[open_])
        samples = np.concatenate(layers)
        return samples[thinning.thin(samples, cell)]

    @cached_property
    def tree(self) -> cKDTree:
        """Search tree of the samples."""
        return cKDTree(self.samples_mm)

    def holds(self, points_mm: np.ndarray) -> np.ndarray:
        """Which points (n, 3) lie in the free space, (n,) bool."""
        distance, _ = self.tree.query(points_mm, distance_upper_bound=NEAR * self.cells.spacing_mm)
        return np.isfinite(distance)


def counts(a: FreeSpace, b: FreeSpace, T_a_b: np.ndarray) -> tuple[int, int]:
    """Cells of b's surface that lie in a's free space, and of a's surface that lie in b's."""
    of_b = a.holds(rigid.transform(T_a_b, b.cells.points_mm))
    of_a = b.holds(rigid.transform(rigid.invert(T_a_b), a.cells.points_mm))
    return int(of_b.sum()), int(of_a.sum())


def contradictions(a: FreeSpace, b: FreeSpace, T_a_b: np.ndarray) -> tuple[float, float]:
    """Share of b's surface that lies in a's free space, and of a's surface that lies in b's."""
    of_b, of_a = counts(a, b, T_a_b)
    # only surface of a that lies near b could contradict it
    reached = max(1, min(len(a.cells.points_mm), len(b.cells.points_mm)))
    return of_b / len(b.cells.points_mm), of_a / reached


def share_of_common(contradicting: int, common: int) -> float:
    """Cells in free space for each cell that both parts saw, less two standard deviations of their count and three
    outliers.

    A difference that only some of the common surface shows is a small share of a large room: this share does not depend
    on the room's size. 0 where so little is common that three outliers would be a share of two in a hundred.
    """
    if common < COMMON_LEAST:
        return 0.0
    return float(max(contradicting - 2 * np.sqrt(contradicting) - OUTLIERS, 0.0) / (common + contradicting))


def outside(a: Skin, b: Skin, T_a_b: np.ndarray, reach_mm: float, tolerance_mm: float) -> tuple[int, int]:
    """How many points of b lie outside of a's skin that faces away from them, and how many have such a skin within
    ``reach_mm``: an inner surface behind its outer skin lies inside of it."""
    at, facing = rigid.transform(T_a_b, b.points_mm), rigid.rotate(T_a_b, b.normals)
    _, nearest = a.tree.query(at, distance_upper_bound=reach_mm)
    found = np.flatnonzero(nearest < len(a.points_mm))
    found = found[np.sum(facing[found] * a.normals[nearest[found]], axis=1) < -OPPOSED]
    off = np.sum((at[found] - a.points_mm[nearest[found]]) * a.normals[nearest[found]], axis=1)
    beside = np.linalg.norm(at[found] - a.points_mm[nearest[found]], axis=1) ** 2 - off**2
    over = beside < (2 * a.spacing_mm) ** 2  # straight in front or behind, not beyond an edge
    return int(np.count_nonzero(off[over] > tolerance_mm)), int(over.sum())


def steps(a: Skin, b: Skin, T_a_b: np.ndarray, tolerance_mm: float) -> float:
    """Share of the surface of both parts near each other that does not agree: it stands in front of the other part's
    surface, faces the same way, and that part did not see it there.

    0 where the parts are as near as ``tolerance_mm`` wherever they are compared; both thinned to the same cell.
    """
    b_in_a = Skin(
        rigid.transform(T_a_b, b.points_mm),
        rigid.rotate(T_a_b, b.normals),
        b.spacing_mm,
        b.noise_mm,
        b.drift_mm_per_m,
        b.drift_length_mm,
    )
    counts = [_steps(a, b_in_a, tolerance_mm), _steps(b_in_a, a, tolerance_mm)]
    agreeing, contradicting = (sum(count) for count in zip(*counts, strict=True))
    return contradicting / max(agreeing + contradicting, 1)


def _steps(behind: Skin, before: Skin, tolerance_mm: float) -> tuple[int, int]:
    """Points of ``before`` that agree with ``behind``, and points that stand in front of it and do not."""
    near = 1.5 * behind.spacing_mm
    distance, partner = behind.tree.query(before.points_mm, k=PARTNERS, distance_upper_bound=near)
    there = np.isfinite(distance)
    partner = np.where(there, partner, 0)
    same = there & (np.einsum("nkj,nj->nk", behind.normals[partner], before.normals) > SAME_FACING)
    off = before.points_mm[:, None] - behind.points_mm[partner]
    plane = np.abs(np.einsum("nkj,nkj->nk", off, behind.normals[partner]))
    agrees = np.where(same, plane, np.inf).min(axis=1) < tolerance_mm
    stands = np.zeros(len(before.points_mm), bool)
    for height in np.arange(behind.spacing_mm / 2, STEP_MOST_MM, behind.spacing_mm / 2):
        at = behind.points_mm + height * behind.normals
        distance, found = before.tree.query(at, distance_upper_bound=0.7 * behind.spacing_mm)
        row = np.flatnonzero(np.isfinite(distance))
        found = found[row]
        facing = np.sum(before.normals[found] * behind.normals[row], axis=1) > SAME_FACING
        above = np.sum((before.points_mm[found] - behind.points_mm[row]) * behind.normals[row], axis=1)
        high = facing & (above > 2 * tolerance_mm)
        found, row, above = found[high], row[high], above[high]
        stands[found[_is_over(behind, before.points_mm[found] - above[:, None] * behind.normals[row], row)]] = True
    return int(agrees.sum()), int((stands & ~agrees).sum())


def _is_over(skin: Skin, base_mm: np.ndarray, row: np.ndarray) -> np.ndarray:
    """Which of some feet (k, 3) lie amid the surface about the skin's points ``row`` (k,), and not beyond its edge."""
    distance, partner = skin.tree.query(base_mm, k=PARTNERS, distance_upper_bound=1.5 * skin.spacing_mm)
    there = np.isfinite(distance)
    partner = np.where(there, partner, 0)
    there &= np.einsum("nkj,nj->nk", skin.normals[partner], skin.normals[row]) > SAME_FACING
    count = there.sum(axis=1)
    offset = np.where(there[..., None], skin.points_mm[partner] - base_mm[:, None], 0.0).sum(axis=1)
    middle = offset / np.maximum(count, 1)[:, None]
    return (count >= AROUND) & (np.linalg.norm(middle, axis=1) < OVERHANG * skin.spacing_mm)
