"""Points gathered into small cubic cells: their moments, and the plane through each cell's neighbourhood."""

from dataclasses import dataclass

import numpy as np
from numba import njit

SHIFT = 21  # bits an axis in a cell's key: two million cells each way


@dataclass(frozen=True)
class Voxels:
    """Occupied cells in order of their keys. ``edge_mm``; ``of_point`` (n,) int32, the cell of each point; ``index``
    (m, 3) int64 on the grid, from 1; ``moments`` (m, 10) float64 about the cell's middle: count, sums of x y z and of
    xx xy xz yy yz zz, mm."""

    edge_mm: float
    of_point: np.ndarray
    index: np.ndarray
    moments: np.ndarray

    @property
    def middle_mm(self) -> np.ndarray:
        """Middle of each cell, (m, 3), from the grid's own corner."""
        return (self.index + 0.5) * self.edge_mm


def gather(xyz_mm: np.ndarray, edge_mm: float, low_mm: np.ndarray) -> Voxels:
    """The :class:`Voxels` of points (n, 3) on a grid of cells from ``low_mm``, (3,), less one cell."""
    corner = np.asarray(low_mm, np.float64) - edge_mm
    key = _keys(xyz_mm, edge_mm, corner)
    cells, of_point = np.unique(key, return_inverse=True)
    index = np.column_stack([cells >> 2 * SHIFT, (cells >> SHIFT) & ((1 << SHIFT) - 1), cells & ((1 << SHIFT) - 1)])
    moments = np.zeros((len(cells), 10))
    of_point = of_point.astype(np.int32)
    _add(moments, xyz_mm, of_point, index, edge_mm, corner)
    return Voxels(edge_mm, of_point, index, moments)


@njit(cache=True)
def _keys(xyz, edge, corner):
    key = np.empty(xyz.shape[0], np.int64)
    for row in range(xyz.shape[0]):
        x = np.int64(np.floor((xyz[row, 0] - corner[0]) / edge))
        y = np.int64(np.floor((xyz[row, 1] - corner[1]) / edge))
        z = np.int64(np.floor((xyz[row, 2] - corner[2]) / edge))
        key[row] = (x << 2 * SHIFT) | (y << SHIFT) | z
    return key


@njit(cache=True)
def _add(moments, xyz, of_point, index, edge, corner):
    for row in range(xyz.shape[0]):
        cell = of_point[row]
        x = xyz[row, 0] - corner[0] - (index[cell, 0] + 0.5) * edge
        y = xyz[row, 1] - corner[1] - (index[cell, 1] + 0.5) * edge
        z = xyz[row, 2] - corner[2] - (index[cell, 2] + 0.5) * edge
        entry = moments[cell]
        entry[0] += 1.0
        entry[1] += x
        entry[2] += y
        entry[3] += z
        entry[4] += x * x
        entry[5] += x * y
        entry[6] += x * z
        entry[7] += y * y
        entry[8] += y * z
        entry[9] += z * z


def planes(voxels: Voxels) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean point, normal and flatness of the points in each cell and the 26 around it.

    Returns ``(mean_mm (m, 3)`` from the grid's corner, ``normal (m, 3)`` unit of either sign, ``flatness (m,))``:
    smallest over second eigenvalue of the scatter, 0 for a plane, 1 for a line or a ball; 1 with fewer than three
    points.
    """
    key = (voxels.index[:, 0] << 2 * SHIFT) | (voxels.index[:, 1] << SHIFT) | voxels.index[:, 2]
    total = np.zeros_like(voxels.moments)
    for dx in (-1, 0, 1):
        for dy in (-1, 0, 1):
            _add_rows(total, voxels.moments, key, (dx << 2 * SHIFT) + (dy << SHIFT), dx, dy, voxels.edge_mm)
    mean, normal, flatness = _fit(total)
    return mean + voxels.middle_mm, normal, flatness


@njit(cache=True)
def _add_rows(total, moments, key, offset, dx, dy, edge):
    """Add to each cell the moments of the three cells of one neighbouring row, about its own middle.

    The keys are sorted, so the search for neighbours only moves forward.
    """
    at = 0
    for cell in range(key.shape[0]):
        wanted = key[cell] + offset - 1
        while at < key.shape[0] and key[at] < wanted:
            at += 1
        other = at
        while other < key.shape[0] and key[other] <= wanted + 2:
            x, y, z = dx * edge, dy * edge, (key[other] - wanted - 1) * edge
            m, entry = moments[other], total[cell]
            entry[0] += m[0]
            entry[1] += m[1] + m[0] * x
            entry[2] += m[2] + m[0] * y
            entry[3] += m[3] + m[0] * z
            entry[4] += m[4] + 2 * m[1] * x + m[0] * x * x
            entry[5] += m[5] + m[1] * y + m[2] * x + m[0] * x * y
            entry[6] += m[6] + m[1] * z + m[3] * x + m[0] * x * z
            entry[7] += m[7] + 2 * m[2] * y + m[0] * y * y
            entry[8] += m[8] + m[2] * z + m[3] * y + m[0] * y * z
            entry[9] += m[9] + 2 * m[3] * z + m[0] * z * z
            other += 1


@njit(cache=True)
def _fit(total):
    count = total.shape[0]
    mean, normal, flatness = np.zeros((count, 3)), np.zeros((count, 3)), np.ones(count)
    for cell in range(count):
        n = total[cell, 0]
        x, y, z = total[cell, 1] / n, total[cell, 2] / n, total[cell, 3] / n
        mean[cell, 0], mean[cell, 1], mean[cell, 2] = x, y, z
        xx, xy, xz = total[cell, 4] / n - x * x, total[cell, 5] / n - x * y, total[cell, 6] / n - x * z
        yy, yz, zz = total[cell, 7] / n - y * y, total[cell, 8] / n - y * z, total[cell, 9] / n - z * z
        low, middle = _eigenvalues(xx, xy, xz, yy, yz, zz)
        if n >= 3:
            flatness[cell] = max(low, 0.0) / middle if middle > 0.0 else 1.0
        normal[cell] = _null_direction(xx - low, xy, xz, yy - low, yz, zz - low)
    return mean, normal, flatness


@njit(cache=True)
def _eigenvalues(xx, xy, xz, yy, yz, zz):
    """The two smaller eigenvalues of a symmetric matrix in closed form (O. Smith, Comm. ACM 4 (1961) 168)."""
    middle = (xx + yy + zz) / 3.0
    a, b, c = xx - middle, yy - middle, zz - middle
    p = np.sqrt((a * a + b * b + c * c + 2.0 * (xy * xy + xz * xz + yz * yz)) / 6.0)
    if p == 0.0:
        return middle, middle
    half = (a * (b * c - yz * yz) - xy * (xy * c - yz * xz) + xz * (xy * yz - b * xz)) / (2.0 * p * p * p)
    angle = np.arccos(min(1.0, max(-1.0, half))) / 3.0
    low = middle + 2.0 * p * np.cos(angle + 2.0 * np.pi / 3.0)
    high = middle + 2.0 * p * np.cos(angle)
    return low, 3.0 * middle - low - high


@njit(cache=True)
def _null_direction(xx, xy, xz, yy, yz, zz):
    """Unit vector that the singular symmetric matrix takes to zero: the longest cross product of two of its rows."""
    best, nx, ny, nz = 0.0, 0.0, 0.0, 1.0
    rows = ((xx, xy, xz), (xy, yy, yz), (xz, yz, zz))
    for first in range(3):
        u, v = rows[first], rows[(first + 1) % 3]
        x, y, z = u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]
        size = x * x + y * y + z * z
        if size > best:
            best, nx, ny, nz = size, x, y, z
    length = np.sqrt(nx * nx + ny * ny + nz * nz)
    return np.array([nx / length, ny / length, nz / length])
