"""Selects one row from many: from points that lie close together, or from rows with the same key."""

import numba
import numpy as np
from numpy.typing import ArrayLike


def thin(points_mm: ArrayLike, spacing_mm: float) -> np.ndarray:
    """Rows, (m,) int64, of one point in each cube of ``spacing_mm``: the point nearest to the cube's centre.

    ``points_mm``: (n, 3). The rows are in the order of the cubes. The choice depends on where points lie and not on
    their order, except for points equally near to the centre.
    """
    points_mm = np.asarray(points_mm, np.float64)
    if not len(points_mm):
        return np.empty(0, np.int64)
    cube = np.floor(points_mm / spacing_mm).astype(np.int64)
    off = ((points_mm / spacing_mm - cube - 0.5) ** 2).sum(axis=1)
    cube -= cube.min(axis=0)
    extent = cube.max(axis=0) + 1
    key = (cube[:, 0] * extent[1] + cube[:, 1]) * extent[2] + cube[:, 2]
    return least_of_each(key, off)


def least_of_each(key: np.ndarray, value: np.ndarray) -> np.ndarray:
    """Rows, (m,) int64, with the least ``value``, (n,), of each ``key``, (n,) int64, in ascending order of the key.

    Where several rows have the least value, the first is taken.
    """
    return _least_of_each(key, value, np.argsort(key))


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
