"""The points of one tile of the vehicle grid, from all segments, in grid units and sorted by grid cell.

Grid units: one is the resolution of the surface, node (i, j, k) of the grid lies at ``resolution_mm * (i, j, k)`` in
the vehicle frame. A point is held as the cell that it lies in, exact integers, and its place in the cell. That, and one
fixed order of points (by cell, then segment name, then row), gives every tile that sees a point the same bits for it.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit

from nightbay.clouds.posed_segment import PosedSegment
from nightbay.core.rigid import invert, transform


@dataclass(frozen=True)
class TilePoints:
    """Points about the tile's first node, sorted by cell.

    ``cell`` (n, 3) int32 in grid cells; ``place`` (n, 3) float32, 0..1; ``normal`` (n, 3) float32; ``weight`` (n,)
    float32; ``segment`` (n,) uint8, the source's number; ``undecided`` (n,) bool; ``colour`` (n, 3) uint8 and
    ``coloured`` (n,) bool; ``start`` (m**3 + 1,) int32: the points of the cell with flat index c (halo included, z
    fastest) are ``start[c]:start[c + 1]``; ``halo``: cells beyond the tile on each side; ``edge``: m.
    """

    cell: np.ndarray
    place: np.ndarray
    normal: np.ndarray
    weight: np.ndarray
    segment: np.ndarray
    undecided: np.ndarray
    colour: np.ndarray
    coloured: np.ndarray
    start: np.ndarray
    halo: int
    edge: int

    def __len__(self):
        return len(self.cell)


@njit(cache=True, nogil=True)
def to_grid(xyz, T_grid_cloud, cell, place):
    """Fill ``cell`` and ``place`` of points (n, 3) float32: one fixed order of operations for any block of points."""
    for i in range(len(xyz)):
        for k in range(3):
            value = (
                T_grid_cloud[k, 0] * xyz[i, 0] + T_grid_cloud[k, 1] * xyz[i, 1] + T_grid_cloud[k, 2] * xyz[i, 2]
            ) + T_grid_cloud[k, 3]
            whole = np.floor(value)
            cell[i, k] = np.int32(whole)
            place[i, k] = np.float32(value - whole)


@njit(cache=True, nogil=True)
def tally(cell, size, low, counts):
    """Count points (n, 3) of grid cells in blocks of ``size`` cells; ``low`` (3,): block of ``counts[0, 0, 0]``."""
    for i in range(len(cell)):
        counts[cell[i, 0] // size - low[0], cell[i, 1] // size - low[1], cell[i, 2] // size - low[2]] += 1


@njit(cache=True, nogil=True)
def _inside(cell, low, high):
    """Rows of ``cell`` (n, 3) in low..high - 1 along every axis, (m,) int64."""
    rows, count = np.empty(len(cell), np.int64), 0
    for i in range(len(cell)):
        if min(cell[i, 0], cell[i, 1], cell[i, 2]) >= low and max(cell[i, 0], cell[i, 1], cell[i, 2]) < high:
            rows[count] = i
            count += 1
    return rows[:count]


@njit(cache=True, nogil=True)
def _turn(normals, R, turned):
    for i in range(len(normals)):
        for k in range(3):
            turned[i, k] = R[k, 0] * normals[i, 0] + R[k, 1] * normals[i, 1] + R[k, 2] * normals[i, 2]


@njit(cache=True, nogil=True)
def _cell_order(cell, halo, edge, start, order):
    """Counting sort by cell: fills ``start`` and ``order``; points of a cell keep their order of arrival."""
    n = len(cell)
    flat = np.empty(n, np.int32)
    for i in range(n):
        flat[i] = ((cell[i, 0] + halo) * edge + cell[i, 1] + halo) * edge + cell[i, 2] + halo
        start[flat[i]] += 1
    end = 0
    for c in range(len(start)):
        end += start[c]
        start[c] = end
    for i in range(n - 1, -1, -1):  # from a cell's end back to its start
        start[flat[i]] -= 1
        order[start[flat[i]]] = i


def grid_pose(source: PosedSegment, resolution_mm: float) -> np.ndarray:
    """(4, 4): from coordinates about the origin of the segment's cloud to grid units."""
    T = source.T_frame_cloud
    T[:3] /= resolution_mm
    return T


def gather(sources, resolution_mm, tile, cells, halo, undecided_weight):
    """The points of all ``sources`` (in order of their names) in reach of ``tile``, (3,) int: :class:`TilePoints`.

    ``cells``: grid cells along a tile's edge; ``halo``: cells beyond it on every side.
    """
    base = np.asarray(tile, np.int64) * cells
    pieces = []
    for number, source in enumerate(sources):
        T_grid_cloud = grid_pose(source, resolution_mm)
        low_mm, high_mm = _box(T_grid_cloud, resolution_mm, base - halo, base + cells + halo)
        cloud, _ = source.cloud.near(low_mm, high_mm)
        cell, place = np.empty((len(cloud), 3), np.int32), np.empty((len(cloud), 3), np.float32)
        to_grid(cloud.xyz_mm, T_grid_cloud, cell, place)
        cell -= base.astype(np.int32)
        inside = _inside(cell, -halo, cells + halo)
        cloud = cloud[inside]
        normal = np.empty((len(inside), 3), np.float32)
        _turn(cloud.normal, T_grid_cloud[:3, :3] * resolution_mm, normal)
        undecided = np.zeros(len(inside), bool) if cloud.flag is None else (cloud.flag & 1).astype(bool)
        colour = np.zeros((len(inside), 3), np.uint8) if cloud.colour is None else cloud.colour
        pieces.append(
            (
                cell[inside],
                place[inside],
                normal,
                np.where(undecided, undecided_weight, 1.0).astype(np.float32),
                np.full(len(inside), number, np.uint8),
                undecided,
                colour,
                np.full(len(inside), cloud.colour is not None),
            )
        )
    columns = [np.concatenate(parts) for parts in zip(*pieces, strict=True)]
    edge = cells + 2 * halo
    start = np.zeros(edge**3 + 1, np.int32)
    order = np.empty(len(columns[0]), np.int64)
    _cell_order(columns[0], halo, edge, start, order)
    return TilePoints(*(column.take(order, axis=0) for column in columns), start=start, halo=halo, edge=edge)


def _box(T_grid_cloud, resolution_mm, low, high):
    """Bounds about the cloud's origin, mm, of the box low..high, (3,) grid units; a thousandth of a mm wider."""
    T = T_grid_cloud.copy()
    T[:3] *= resolution_mm
    corners = np.array([[(low, high)[(c >> k) & 1][k] for k in range(3)] for c in range(8)], dtype=np.float64)
    corners = transform(invert(T), corners * resolution_mm)
    return corners.min(axis=0) - 1e-3, corners.max(axis=0) + 1e-3
