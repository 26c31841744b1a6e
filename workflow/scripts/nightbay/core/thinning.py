"""One of many: of points that lie close together, or of rows with one key, the one that counts."""

import numba
import numpy as np


def thin(points_mm, spacing_mm):
    """Rows of one point a cube of ``spacing_mm``, the one nearest the cube's centre, ascending by cube, (m,) int64.

    The choice depends on where points lie, not on their order, save for points equally near the centre.
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


def least_of_each(key, value):
    """Of the rows with one ``key``, (n,) int64, the one with the least ``value``, (n,), and of such the first: (m,)
    int64, ascending by key."""
    return _least_of_each(key, value, np.argsort(key))


@numba.njit(cache=True)
def _least_of_each(key, value, order):
    kept, count = np.empty(len(order), np.int64), 0
    for at in range(len(order)):
        row, last = order[at], kept[max(count - 1, 0)]
        if at == 0 or key[row] != key[last]:
            kept[count] = row
            count += 1
        elif value[row] < value[last] or (value[row] == value[last] and row < last):
            kept[count - 1] = row
    return kept[:count]
