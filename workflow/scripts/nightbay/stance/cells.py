"""Cubic cells of the level frame in which surfaces of segments are compared."""

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

CELL_MM = 50.0
NEIGHBOURS = np.array(np.meshgrid([-1, 0, 1], [-1, 0, 1], [-1, 0, 1])).reshape(3, 27).T  # of a cell, and itself
HALF_RANGE = 2**20  # cells to either side of the level frame's zero: kilometres
TOUCHING = 1.8  # cells whose indices lie no further apart share a corner at least


def of(points_mm: np.ndarray) -> np.ndarray:
    """Indices (n, 3) int of the cells of points (n, 3)."""
    return np.floor(points_mm / CELL_MM).astype(np.int64)


def key(cell: np.ndarray) -> np.ndarray:
    """A number (n,) for each cell (n, 3)."""
    shifted = cell + HALF_RANGE
    return (shifted[:, 0] * 2 * HALF_RANGE + shifted[:, 1]) * 2 * HALF_RANGE + shifted[:, 2]


def connected(cell: np.ndarray, least: int, sign: np.ndarray | None = None) -> list[np.ndarray]:
    """Rows of the cells (n, 3), each once, that hang together, of each component of ``least`` cells or more.

    ``sign`` (n,): neighbours of unlike sign are not linked.
    """
    if len(cell) < least:
        return []
    links = cKDTree(cell).query_pairs(TOUCHING, output_type="ndarray")
    if sign is not None:
        links = links[sign[links[:, 0]] == sign[links[:, 1]]]
    graph = sparse.coo_matrix((np.ones(len(links)), links.T), (len(cell), len(cell)))
    _, label = connected_components(graph, directed=False)
    return [np.flatnonzero(label == number) for number in np.flatnonzero(np.bincount(label) >= least)]
