"""Selects one row from many: from points that lie close together, or from rows with the same key."""

import numba
import numpy as np
from numpy.typing import ArrayLike


def thin(points_mm: ArrayLike, spacing_mm: float) -> np.ndarray:
    """Rows, (m,) int64, of one point in each cube of ``spacing_mm``: the point nearest to the cube's centre.

    ``points_mm``: (n, 3). The rows are in the order of the cubes. The choice depends on where points lie and not on
    their order, except for points equally near to the centre.
    """
    points_mm = np.asarray(points_mm)
    kind = np.float32 if points_mm.dtype == np.float32 else np.float64  # each read as it is: a copy may be gigabytes
    points_mm = np.ascontiguousarray(points_mm, kind)
    if not len(points_mm):
        return np.empty(0, np.int64)
    return least_of_each(*cubes(points_mm, np.float64(spacing_mm)))


def least_of_each(key: np.ndarray, value: np.ndarray) -> np.ndarray:
    """Rows, (m,) int64, with the least ``value``, (n,), of each ``key``, (n,) int64, in ascending order of the key.

    Where several rows have the least value, the first is taken.
    """
    return _least_of_each(key, value, np.argsort(key))


@numba.njit(cache=True)
def cubes(points_mm: np.ndarray, spacing_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """The number of each point's cube, (n,) int64, and its squared distance from the middle of that, (n,) in squares of
    the edge ``spacing_mm``, a float64. ``points_mm``: (n, 3) float32 or float64."""
    low, high = np.full(3, np.inf), np.full(3, -np.inf)
    for point in range(len(points_mm)):
        for axis in range(3):
            cube = np.floor(np.float64(points_mm[point, axis]) / spacing_mm)
            low[axis], high[axis] = min(low[axis], cube), max(high[axis], cube)
    keys, off = np.empty(len(points_mm), np.int64), np.empty(len(points_mm))
    for point in range(len(points_mm)):
        key, squares = np.int64(0), 0.0
        for axis in range(3):
            place = np.float64(points_mm[point, axis]) / spacing_mm
            cube = np.floor(place)
            key = key * np.int64(high[axis] - low[axis] + 1) + np.int64(cube - low[axis])
            squares += (place - cube - 0.5) ** 2
        keys[point], off[point] = key, squares
    return keys, off


@numba.njit(cache=True)
def _least_of_each(key: np.ndarray, value: np.ndarray, order: np.ndarray) -> np.ndarray:
    kept, count = np.empty(len(order), np.int64), 0
    for at in range(len(order)):
        row, last = order[at], kept[max(count - 1, 0)]
        if at == 0 or key[row] != key[last]:
            kept[count] = row
            count += 1
        elif value[row] < value[last] or (value[row] == value[last] and row < last):
            kept[count - 1] = row
    return kept[:count]
