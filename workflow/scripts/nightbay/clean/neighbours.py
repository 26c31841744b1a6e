"""Points of one segment sorted into small cubic cells, in which neighbours are found without a search tree."""

from dataclasses import dataclass
from typing import NamedTuple

import numba
import numpy as np
from scipy.spatial import cKDTree

from nightbay.clouds.cloud import Cloud, CloudFile

MOST_CELLS_AN_AXIS = 2**20  # three of them fill a key of 64 bits
SPACING_PIECES, SPACING_POINTS = 20, 20_000  # pieces of a file, and points in each, that its spacing is measured in
SPACING_STEP = 20  # neighbours are searched for every so many points of a piece


class Grid(NamedTuple):
    """The arrays of :class:`Cells` that compiled loops need, by the same names; ``cell_index`` is its ``index``."""

    xyz_mm: np.ndarray
    normal: np.ndarray
    start: np.ndarray
    cell_index: np.ndarray
    keys: np.ndarray
    dims: np.ndarray
    runs: np.ndarray
    edge_mm: float


@dataclass(frozen=True)
class Cells:
    """A segment's points in the order of their cells; every array has one row a point or one row a cell.

    ``edge_mm``; ``low_mm`` (3,), the corner of the grid; ``xyz_mm`` (n, 3) float32 and ``normal`` (n, 3) float32,
    sorted by cell; ``order`` (n,) int64, the row of each in the working cloud; ``start`` (m + 1,) int64, where each
    cell's points begin; ``index`` (m, 3) int32, the cell on the grid, from 1; ``keys`` (m,) int64 sorted, the same as
    one number on a grid of ``dims`` (3,); ``runs`` (m, 9, 2) int32: the cells that touch a cell, its own among them, as
    nine half-open ranges of cells in a row.
    """

    edge_mm: float
    low_mm: np.ndarray
    xyz_mm: np.ndarray
    normal: np.ndarray
    order: np.ndarray
    start: np.ndarray
    index: np.ndarray
    keys: np.ndarray
    dims: np.ndarray
    runs: np.ndarray

    def __len__(self) -> int:
        """Number of cells."""
        return len(self.index)

    @property
    def grid(self) -> Grid:
        """The arrays for compiled loops."""
        return Grid(self.xyz_mm, self.normal, self.start, self.index, self.keys, self.dims, self.runs, self.edge_mm)


def spacing_mm(source: CloudFile) -> float:
    """Spacing of a segment's points, mm: 1 / sqrt(points per mm2 of surface), median over pieces of the file.

    On a surface of that density, the sixth neighbour of a point lies sqrt(6 / pi) spacings away.
    """
    sixth = []
    for start in np.unique(np.linspace(0, max(len(source) - SPACING_POINTS, 0), SPACING_PIECES).astype(np.int64)):
        points_mm = source.block(start, min(start + SPACING_POINTS, len(source))).xyz_mm
        sixth.append(cKDTree(points_mm).query(points_mm[::SPACING_STEP], k=7)[0][:, 6])
    return float(np.median(np.concatenate(sixth)) * np.sqrt(np.pi / 6))


def sort_into_cells(cloud: Cloud, edge_mm: float) -> Cells:
    """A :class:`~nightbay.clouds.cloud.Cloud` with normals as :class:`Cells` of the given edge, millimetres."""
    assert cloud.normal is not None
    low = cloud.xyz_mm.min(axis=0).astype(np.float64)
    dims = np.floor((cloud.xyz_mm.max(axis=0) - low) / edge_mm).astype(np.int64) + 3
    if dims.max() > MOST_CELLS_AN_AXIS:
        raise ValueError(
            f"the points span {dims.max()} cells of {edge_mm} mm on an axis, at most {MOST_CELLS_AN_AXIS} are allowed; "
            "remove points that lie far away from the export"
        )
    keys = _keys(cloud.xyz_mm, low, 1.0 / edge_mm, dims)
    order = np.argsort(keys, kind="stable")
    keys = keys[order]
    first = np.flatnonzero(np.diff(keys, prepend=-1))
    return Cells(
        edge_mm=float(edge_mm),
        low_mm=low,
        xyz_mm=cloud.xyz_mm[order],
        normal=cloud.normal[order],
        order=order,
        start=np.append(first, len(keys)),
        index=unravel(keys[first], dims),
        keys=keys[first],
        dims=dims,
        runs=neighbour_runs(keys[first], dims),
    )


def unravel(keys: np.ndarray, dims: np.ndarray) -> np.ndarray:
    """Grid index, (m, 3) int32, of cells from their keys, (m,) int64, on a grid of ``dims``, (3,)."""
    return np.column_stack([keys // (dims[1] * dims[2]), keys // dims[2] % dims[1], keys % dims[2]]).astype(np.int32)


@numba.njit(cache=True)
def _keys(xyz_mm, low, per_mm, dims):
    keys = np.empty(len(xyz_mm), np.int64)
    for at in range(len(xyz_mm)):
        key = 0
        for axis in range(3):
            key = key * dims[axis] + np.int64(np.floor((xyz_mm[at, axis] - low[axis]) * per_mm)) + 1
        keys[at] = key
    return keys


@numba.njit(cache=True)
def neighbour_runs(keys: np.ndarray, dims: np.ndarray) -> np.ndarray:
    """For cells with sorted keys, (m,) int64: the nine ranges of cells that touch each, (m, 9, 2) int32.

    A border of one empty cell round the grid is assumed, as :func:`sort_into_cells` leaves it. Linear: the keys of
    the neighbours in one direction are sorted too, so that one pass finds them all.
    """
    runs = np.empty((len(keys), 9, 2), np.int32)
    for step in range(9):
        shift = ((step // 3 - 1) * dims[1] + step % 3 - 1) * dims[2]
        first, last = 0, 0
        for cell in range(len(keys)):
            wanted = keys[cell] + shift
            while first < len(keys) and keys[first] < wanted - 1:
                first += 1
            last = max(last, first)
            while last < len(keys) and keys[last] <= wanted + 1:
                last += 1
            runs[cell, step, 0], runs[cell, step, 1] = first, last
    return runs


@numba.njit(cache=True)
def components(runs: np.ndarray, member: np.ndarray) -> np.ndarray:
    """Connected components of the cells that ``member``, (m,) bool, selects; cells are linked where they touch.

    Returns the component of each cell, (m,) int32, numbered in the order of their first cells; -1 for the others.
    """
    parent = np.arange(len(runs))
    for cell in range(len(runs)):
        if not member[cell]:
            continue
        for run in range(9):
            for other in range(runs[cell, run, 0], runs[cell, run, 1]):
                if other < cell and member[other]:
                    a, b = _root(parent, cell), _root(parent, other)
                    parent[max(a, b)] = min(a, b)
    label, count = np.full(len(runs), -1, np.int32), 0
    for cell in range(len(runs)):
        if not member[cell]:
            continue
        root = _root(parent, cell)
        if root == cell:
            label[cell] = count
            count += 1
        else:
            label[cell] = label[root]
    return label


@numba.njit(cache=True)
def _root(parent, cell):
    while parent[cell] != cell:
        parent[cell] = parent[parent[cell]]
        cell = parent[cell]
    return cell


def coarsen(index: np.ndarray, factor: int, member: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Cells grouped ``factor`` by ``factor`` by ``factor``, to search at a larger scale.

    ``index`` (m, 3) int32 from 1; ``member`` (m,) bool selects the cells that count. Returns the coarse cell of each
    cell, (m,) int32 (-1 for cells that do not count), and the runs of the coarse cells, (k, 9, 2).
    """
    coarse = (index[member].astype(np.int64) - 1) // factor + 1
    group = np.full(len(index), -1, np.int32)
    if not len(coarse):
        return group, np.empty((0, 9, 2), np.int32)
    dims = coarse.max(axis=0) + 2
    keys, inverse = np.unique((coarse[:, 0] * dims[1] + coarse[:, 1]) * dims[2] + coarse[:, 2], return_inverse=True)
    group[member] = inverse
    return group, neighbour_runs(keys, dims)


def surfels(cells: Cells, use: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Count (m,), mean (m, 3) mm and unit mean normal (m, 3) of the points of each cell that ``use``, (n,), selects."""
    return _surfels(cells.xyz_mm, cells.normal, cells.start, use)


@numba.njit(cache=True)
def _surfels(xyz_mm, normal, start, use):
    count = np.zeros(len(start) - 1, np.int32)
    centre, direction = np.zeros((len(count), 3)), np.zeros((len(count), 3))
    for cell in range(len(count)):
        for at in range(start[cell], start[cell + 1]):
            if use[at]:
                count[cell] += 1
                for axis in range(3):
                    centre[cell, axis] += xyz_mm[at, axis]
                    direction[cell, axis] += normal[at, axis]
        length = np.sqrt((direction[cell] ** 2).sum())
        centre[cell] /= max(count[cell], 1)
        direction[cell] /= max(length, 1e-12)
    return count, centre, direction
