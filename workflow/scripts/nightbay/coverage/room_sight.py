"""Which places of a room a scanner could have seen: free lines of sight through the cells that hold no surface."""

from dataclasses import dataclass

import numba
import numpy as np
from scipy import ndimage

# A hand-held scanner and the hand that holds it need so much room about them; a low room gives less.
CLEAR_MM, CLEAR_SHARE = 200.0, 0.2
MOST_VIEWPOINTS = 400  # positions that are tried: a twentieth of them is known to a quarter of itself
STEEPEST_COS = 0.42  # beyond an incidence of 65 degrees hardly anything comes back
START_CELLS = 2.5  # a line of sight begins so far off the place, so that scatter about it does not block it
STEP_CELLS = 0.5  # along a line


@dataclass(frozen=True)
class Space:
    """Cells of a room, design grid: ``solid`` (nx, ny, nz) bool where points lie, the first cell at ``low_mm`` (3,),
    edge ``cell_mm``; the room's own bounds ``room_mm``, (2, 3)."""

    solid: np.ndarray
    low_mm: np.ndarray
    cell_mm: float
    room_mm: np.ndarray


def space(points_mm: np.ndarray, room_mm: np.ndarray, cell_mm: float) -> Space:
    """The cells of a room with bounds ``room_mm`` (2, 3) that hold points, (n, 3), with gaps of one cell closed."""
    low = room_mm[0] - 2 * cell_mm
    shape = np.ceil((room_mm[1] - low) / cell_mm).astype(np.int64) + 2
    at = np.floor((points_mm - low) / cell_mm).astype(np.int64)
    at = at[((at >= 0) & (at < shape)).all(axis=1)]
    solid = np.zeros(shape, bool)
    solid[tuple(at.T)] = True
    solid |= ndimage.binary_closing(solid, ndimage.generate_binary_structure(3, 2))
    return Space(solid, low, cell_mm, room_mm)


def viewpoints(cells: Space) -> np.ndarray:
    """Positions, (m, 3) mm, evenly spread over the room, from which a scanner may have looked: all that it reaches
    through the room without coming near surface."""
    size = cells.room_mm[1] - cells.room_mm[0]
    clear_mm = min(CLEAR_MM, CLEAR_SHARE * float(size.min()))
    free = ndimage.distance_transform_edt(~cells.solid) * cells.cell_mm > clear_mm
    first = np.ceil((cells.room_mm[0] - cells.low_mm) / cells.cell_mm).astype(int)
    last = np.floor((cells.room_mm[1] - cells.low_mm) / cells.cell_mm).astype(int)
    inside = np.zeros_like(free)
    inside[tuple(slice(a, b) for a, b in zip(first, last, strict=True))] = True
    label, count = ndimage.label(free & inside)
    if not count:
        return np.empty((0, 3))
    largest = label == 1 + int(np.argmax(np.bincount(label.ravel())[1:]))
    pitch = max(1, round(float(np.cbrt(np.count_nonzero(largest) / MOST_VIEWPOINTS))))
    lattice = np.zeros_like(free)
    lattice[pitch // 2 :: pitch, pitch // 2 :: pitch, pitch // 2 :: pitch] = True
    return cells.low_mm + (np.argwhere(largest & lattice) + 0.5) * cells.cell_mm


def in_sight(cells: Space, from_mm: np.ndarray, places_mm: np.ndarray, toward: np.ndarray) -> np.ndarray:
    """Share, (k,), of the positions ``from_mm`` (m, 3) that see each place (k, 3), of those that look at its surface
    within the steepest incidence; ``toward`` (3,): that surface's normal. 0 for a place that none looks at; 1 without
    any position, because nothing is known to hide a place then."""
    if not len(from_mm):
        return np.ones(len(places_mm))
    return _in_sight(
        cells.solid, cells.low_mm, cells.cell_mm, np.ascontiguousarray(from_mm), np.ascontiguousarray(places_mm), toward
    )


@numba.njit(cache=True)
def _in_sight(
    solid: np.ndarray, low: np.ndarray, cell: float, positions: np.ndarray, places: np.ndarray, toward: np.ndarray
) -> np.ndarray:
    share = np.zeros(len(places))
    for row in range(len(places)):
        looking = clear = 0
        for at in range(len(positions)):
            way = positions[at] - places[row]
            length = np.sqrt((way * way).sum())
            if (way * toward).sum() < STEEPEST_COS * length:
                continue
            looking += 1
            way /= length
            along = START_CELLS * cell
            blocked = False
            while along < length and not blocked:
                x = int(np.floor((places[row, 0] + along * way[0] - low[0]) / cell))
                y = int(np.floor((places[row, 1] + along * way[1] - low[1]) / cell))
                z = int(np.floor((places[row, 2] + along * way[2] - low[2]) / cell))
                inside = 0 <= x < solid.shape[0] and 0 <= y < solid.shape[1] and 0 <= z < solid.shape[2]
                blocked = inside and solid[x, y, z]
                along += STEP_CELLS * cell
            clear += not blocked
        if looking:
            share[row] = clear / looking
    return share
