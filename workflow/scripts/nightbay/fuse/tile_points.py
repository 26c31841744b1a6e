"""The points of one tile of the vehicle grid, from all segments, in grid units and sorted by grid cell.

Grid units: one is the resolution of the surface, node (i, j, k) of the grid lies at ``resolution_mm * (i, j, k)`` in
the vehicle frame. A point is held as the cell that it lies in, exact integers, and its offset in the cell. That, and a
fixed order of points (by cell, then segment name, then row), gives a point the same bits in every tile.
"""

from typing import NamedTuple

import numpy as np
from numba import njit

from nightbay.clouds.cloud import Cloud
from nightbay.clouds.posed_segment import PosedSegment
from nightbay.core.rigid import invert, transform


class TilePoints(NamedTuple):
    """Points about the tile's first node, sorted by cell.

    ``cell`` (n, 3) int32 in grid cells; ``offset`` (n, 3) float32 from the cell's lower corner, 0..1; ``normal`` (n, 3)
    float32; ``weight`` (n,) float32; ``segment`` (n,) uint8, the source's number; ``undecided`` (n,) bool; ``colour``
    (n, 3) uint8 and ``coloured`` (n,) bool; ``start`` (m**3 + 1,) int32: the points of the cell with flat index c (halo
    included, z fastest) are ``start[c]:start[c + 1]``; ``halo``: cells beyond the tile on each side; ``edge``: m.
    """

    cell: np.ndarray
    offset: np.ndarray
    normal: np.ndarray
    weight: np.ndarray
    segment: np.ndarray
    undecided: np.ndarray
    colour: np.ndarray
    coloured: np.ndarray
    start: np.ndarray
    halo: int
    edge: int


@njit(cache=True, nogil=True)
def to_grid(xyz: np.ndarray, T_grid_cloud: np.ndarray, cell: np.ndarray, offset: np.ndarray) -> None:
    """Fill ``cell`` (n, 3) int32 and ``offset`` (n, 3) float32 of points ``xyz`` (n, 3) float32.

    ``T_grid_cloud`` (4, 4): from their frame to grid units. The order of operations is fixed, so a point gets the same
    bits in any block of points.
    """
    for i in range(len(xyz)):
        for k in range(3):
            value = (
                T_grid_cloud[k, 0] * xyz[i, 0] + T_grid_cloud[k, 1] * xyz[i, 1] + T_grid_cloud[k, 2] * xyz[i, 2]
            ) + T_grid_cloud[k, 3]
            whole = np.floor(value)
            cell[i, k] = np.int32(whole)
            offset[i, k] = np.float32(value - whole)


@njit(cache=True, nogil=True)
def count_in_blocks(cell: np.ndarray, size: int, low: np.ndarray, counts: np.ndarray) -> None:
    """Add the points in grid cells ``cell`` (n, 3) int32 to ``counts``, (a, b, c) int32, of blocks of ``size`` cells.

    ``low`` (3,) int64: index of the block of ``counts[0, 0, 0]``.
    """
    for i in range(len(cell)):
        counts[cell[i, 0] // size - low[0], cell[i, 1] // size - low[1], cell[i, 2] // size - low[2]] += 1


@njit(cache=True, nogil=True)
def _inside(cell, low, high):
    """Rows of ``cell`` (n, 3) in low..high - 1, (3,) int64 each: (m,) int64."""
    rows, count = np.empty(len(cell), np.int64), 0
    for i in range(len(cell)):
        inside = True
        for k in range(3):
            inside &= low[k] <= cell[i, k] < high[k]
        if inside:
            rows[count] = i
            count += 1
    return rows[:count]


@njit(cache=True, nogil=True)
def _rotate(normals, R, rotated):
    for i in range(len(normals)):
        for k in range(3):
            rotated[i, k] = R[k, 0] * normals[i, 0] + R[k, 1] * normals[i, 1] + R[k, 2] * normals[i, 2]


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


def gather(
    sources: list[PosedSegment], resolution_mm: float, tile: np.ndarray, cells: int, halo: int, undecided_weight: float
) -> TilePoints:
    """The points of all ``sources`` (in order of their names) in reach of ``tile``, (3,) int.

    ``cells``: grid cells along a tile's edge; ``halo``: cells beyond it on every side.
    """
    base = np.asarray(tile, np.int64) * cells
    low, high = base - halo, base + cells + halo
    pieces = []
    for number, source in enumerate(sources):
        cell, cloud, offset, normal = _points_in(source, resolution_mm, low, high)
        undecided = np.zeros(len(cell), bool) if cloud.flag is None else (cloud.flag & 1).astype(bool)
        pieces.append(
            (
                cell - base.astype(np.int32),
                offset,
                normal,
                np.where(undecided, undecided_weight, 1.0).astype(np.float32),
                np.full(len(cell), number, np.uint8),
                undecided,
                np.zeros((len(cell), 3), np.uint8) if cloud.colour is None else cloud.colour,
                np.full(len(cell), cloud.colour is not None),
            )
        )
    columns = [np.concatenate(parts) for parts in zip(*pieces, strict=True)]
    edge = cells + 2 * halo
    start = np.zeros(edge**3 + 1, np.int32)
    order = np.empty(len(columns[0]), np.int64)
    _cell_order(columns[0], halo, edge, start, order)
    return TilePoints._make([*(column.take(order, axis=0) for column in columns), start, halo, edge])


def _points_in(
    source: PosedSegment, resolution_mm: float, low: np.ndarray, high: np.ndarray
) -> tuple[np.ndarray, Cloud, np.ndarray, np.ndarray]:
    """Points of a source in the cells low..high - 1, (3,) int64: cells, the cloud, offsets, normals in the vehicle
    frame."""
    T_grid_cloud = grid_pose(source, resolution_mm)
    cloud, _ = source.cloud.near(*_box(T_grid_cloud, resolution_mm, low, high))
    cell, offset = np.empty((len(cloud), 3), np.int32), np.empty((len(cloud), 3), np.float32)
    to_grid(cloud.xyz_mm, T_grid_cloud, cell, offset)
    inside = _inside(cell, low, high)
    cloud = cloud[inside]
    normal = np.empty((len(inside), 3), np.float32)
    _rotate(cloud.normal, T_grid_cloud[:3, :3] * resolution_mm, normal)
    return cell[inside], cloud, offset[inside], normal


def box_corners(low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """The eight corners, (8, 3) float64, of a box with bounds (3,)."""
    return np.array([[(low, high)[(c >> k) & 1][k] for k in range(3)] for c in range(8)], dtype=np.float64)


def _box(
    T_grid_cloud: np.ndarray, resolution_mm: float, low: np.ndarray, high: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Bounds about the cloud's origin, mm, of the box low..high, (3,) grid units; a thousandth of a mm wider."""
    T = T_grid_cloud.copy()
    T[:3] *= resolution_mm
    corners = transform(invert(T), box_corners(low, high) * resolution_mm)
    return corners.min(axis=0) - 1e-3, corners.max(axis=0) + 1e-3
