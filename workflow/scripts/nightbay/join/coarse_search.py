"""Poses of an interior in an exterior by their shapes alone, with the help of their frames.

Both frames have Z up and Y across the plane of symmetry. What is open: how far the room lies along X and above the
ground, which end is its front, and a small pitch of its floor. For each heading and pitch all shifts are rated at once
by correlation: cells that both saw count for a shift, cells of one part in the other's free space against it.
"""

from dataclasses import dataclass

import numpy as np
from scipy import fft, ndimage
from scipy.spatial.transform import Rotation

from nightbay.core import rigid
from nightbay.join.free_space import FreeSpace

# A load floor is not parallel to the ground: by 1.5 degrees on a loaded axle (common practice, no source). Steps of
# that size move the ends of a door's opening by less than a cell.
PITCHES_DEG = (0.0, -1.2, 1.2)
ACROSS_MM = 120.0  # how far two planes of symmetry may differ: a plane is refused beyond an uncertainty of some mm
FACING = 0.75  # a cell belongs to the axis that its normal follows; oblique ones to none
# Flat walls agree by chance over square metres, and a sill and two pillars are all that the right pose may have. But in
# the right pose next to nothing contradicts: a cell in free space outweighs several that agree.
AGAINST = 5.0
PEAKS = 12  # best shifts of each turn


@dataclass(frozen=True)
class Candidate:
    """A pose ``T_a_b`` (4, 4) by shape: ``score`` in cells, ``heading`` in degrees, 0 or 180."""

    T_a_b: np.ndarray
    score: float
    heading: int


def search(a: FreeSpace, b: FreeSpace, headings: tuple[int, ...]) -> list[Candidate]:
    """The :class:`Candidate` poses of b in a, best first; both in vehicle frames, with the same cell."""
    found = []
    for heading in headings:
        for pitch in PITCHES_DEG:
            turn = Rotation.from_euler("zy", [heading, pitch], degrees=True).as_matrix()
            found += _shifts(a, b, turn, heading)
    return sorted(found, key=lambda candidate: (-candidate.score, *candidate.T_a_b.ravel()))


def _shifts(a: FreeSpace, b: FreeSpace, turn: np.ndarray, heading: int) -> list[Candidate]:
    """The best shifts of b turned by ``turn``, (3, 3)."""
    cell = a.cells.spacing_mm
    T_turn = rigid.pose(turn)
    cells_b, free_b = rigid.transform(T_turn, b.cells.points_mm), rigid.transform(T_turn, b.samples_mm)
    low_a = np.minimum(a.cells.points_mm.min(axis=0), a.samples_mm.min(axis=0)) - cell
    low_b = np.minimum(cells_b.min(axis=0), free_b.min(axis=0))
    size = np.ceil((np.maximum(a.cells.points_mm.max(axis=0), a.samples_mm.max(axis=0)) - low_a) / cell).astype(int) + 2
    size_b = np.ceil((np.maximum(cells_b.max(axis=0), free_b.max(axis=0)) - low_b) / cell).astype(int) + 2
    shape = tuple(fft.next_fast_len(int(n), real=True) for n in size + size_b)

    def grid(points: np.ndarray, low: np.ndarray) -> np.ndarray:
        occupied = np.zeros(shape, np.float32)
        occupied[tuple(np.floor((points - low) / cell).astype(int).T)] = 1.0
        return occupied

    total = np.zeros((*shape[:2], shape[2] // 2 + 1), np.complex64)
    facing_a, facing_b = a.cells.normals, rigid.rotate(T_turn, b.cells.normals)
    for axis in range(3):
        for sign in (-1.0, 1.0):
            of_a = a.cells.points_mm[sign * facing_a[:, axis] > FACING]
            of_b = cells_b[sign * facing_b[:, axis] > FACING]
            thick = ndimage.maximum_filter(grid(of_a, low_a), size=3)
            total += fft.rfftn(thick) * np.conj(fft.rfftn(grid(of_b, low_b)))
    total -= AGAINST * fft.rfftn(grid(a.samples_mm, low_a)) * np.conj(fft.rfftn(grid(cells_b, low_b)))
    total -= AGAINST * fft.rfftn(grid(a.cells.points_mm, low_a)) * np.conj(fft.rfftn(grid(free_b, low_b)))
    score = fft.irfftn(total, shape)
    # shifts run from -size_b to size; the correlation holds the negative ones at its end
    shifts = [np.arange(count) for count in shape]
    shifts = [np.where(steps > most, steps - len(steps), steps) for steps, most in zip(shifts, size, strict=True)]
    moved = [low_a[axis] - low_b[axis] + cell * shifts[axis] for axis in range(3)]
    return [Candidate(rigid.pose(turn, shift), rated, heading) for shift, rated in _peaks(score, moved)]


def _peaks(score: np.ndarray, shifts_mm: list[np.ndarray]) -> list[tuple[np.ndarray, float]]:
    """The best local maxima of a correlation: shift (3,) mm and score. ``shifts_mm``: what its indices stand for."""
    across = np.abs(shifts_mm[1]) <= ACROSS_MM
    allowed = np.where(across[None, :, None], np.round(score), -np.inf)  # sums of whole numbers
    top = (allowed == ndimage.maximum_filter(allowed, size=3, mode="wrap")) & np.isfinite(allowed)
    rows = np.flatnonzero(top.ravel())
    rows = rows[np.argsort(-allowed.ravel()[rows], kind="stable")][:PEAKS]
    found = []
    for row in rows:
        at = np.unravel_index(row, score.shape)
        found.append((np.array([shifts_mm[axis][at[axis]] for axis in range(3)]), float(allowed.ravel()[row])))
    return found
