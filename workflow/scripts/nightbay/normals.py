"""Normals for exports that have none: directions by local planes, sides by walking over the surface.

The direction of a point's normal is that of the plane through the small cells around it. Which side is outside is
spread from cell to cell over the flattest steps (the minimum spanning tree of H. Hoppe et al., SIGGRAPH 1992, 71-78),
and decided for every connected piece by the side on which its vehicle lies.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import breadth_first_order, connected_components, minimum_spanning_tree
from scipy.spatial import cKDTree

from nightbay import voxels

NEIGHBOURS = 10  # of a node in the walk: fewer break pieces apart, more leap across thin sheets
JUMP = 3.0  # longest step of the walk in edges of its cells: a diagonal over one empty cell


@dataclass(frozen=True)
class Estimate:
    """``normal`` (n, 3) float32 unit; ``certainty`` 0..1 of the sides: 1 where the whole shape bulges away from its
    middle, near 0 where it is as flat as a door and either side could be outside; ``pieces``: connected pieces."""

    normal: np.ndarray
    certainty: float
    pieces: int


def estimate(xyz_mm, edge_mm, walk_mm, inward=False):
    """The :class:`Estimate` for points (n, 3) mm.

    ``edge_mm``: edge of the cells that a plane is laid through, three by three by three; ``walk_mm``: edge of the cells
    that the sides are spread over; ``inward``: for an interior, whose normals point to its middle.
    """
    cells = voxels.gather(xyz_mm, edge_mm, xyz_mm.min(axis=0))
    mean, normal, flatness = voxels.planes(cells)
    nodes = _nodes(mean, flatness, walk_mm)
    signs, piece = _spread(mean[nodes], normal[nodes], walk_mm)
    flux = np.sum(normal[nodes] * (mean[nodes] - np.median(mean[nodes], axis=0)), axis=1) * signs
    turn = np.where(np.bincount(piece, flux) < 0, -1.0, 1.0) * (-1.0 if inward else 1.0)
    certainty = np.abs(np.bincount(piece, flux)).sum() / max(np.abs(flux).sum(), 1e-300)
    oriented = normal[nodes] * (signs * turn[piece])[:, None]
    normal = _like_nearest(mean, normal, mean[nodes], oriented)
    return Estimate(normal.astype(np.float32)[cells.of_point], float(certainty), int(piece.max()) + 1)


def _nodes(mean, flatness, walk_mm):
    """Rows of the flattest cell in every cell of the coarser grid."""
    key = np.floor((mean - mean.min(axis=0)) / walk_mm).astype(np.int64)
    key = (key[:, 0] << 42) | (key[:, 1] << 21) | key[:, 2]
    order = np.lexsort((flatness, key))
    return np.sort(order[np.flatnonzero(np.diff(key[order], prepend=-1))])


def _spread(at_mm, normal, walk_mm):
    """Sign of every node, (k,), alike within its connected piece, and the piece of every node, (k,)."""
    count = len(at_mm)
    neighbours = min(NEIGHBOURS + 1, count)
    distance, other = cKDTree(at_mm).query(at_mm, neighbours, distance_upper_bound=JUMP * walk_mm)
    distance, other = distance.reshape(count, -1)[:, 1:], other.reshape(count, -1)[:, 1:]
    one = np.repeat(np.arange(count), other.shape[1])
    distance, other = distance.ravel(), other.ravel()
    near = np.isfinite(distance)
    one, other, distance = one[near], other[near], distance[near]
    bend = 1.0 - np.abs(np.sum(normal[one] * normal[other], axis=1))
    # A step across the surface's own plane (from one skin of a sheet to the other) costs like a sharp bend.
    step = (at_mm[other] - at_mm[one]) / distance[:, None]
    across = np.maximum(np.abs(np.sum(step * normal[one], axis=1)), np.abs(np.sum(step * normal[other], axis=1)))
    graph = coo_matrix((1e-3 + bend + across**2, (one, other)), (count, count)).tocsr()
    graph = graph.maximum(graph.T)
    tree = minimum_spanning_tree(graph)
    _, piece = connected_components(tree, directed=False)
    # One more node, tied to the first of every piece, so that a single walk visits them all.
    heads = np.unique(piece, return_index=True)[1]
    ties = coo_matrix((np.ones(len(heads)), (np.full(len(heads), count), heads)), (count + 1, count + 1))
    tree.resize((count + 1, count + 1))
    order, before = breadth_first_order(tree + tree.T + ties + ties.T, count, directed=False)
    return _walk(order, before, normal), piece


@njit(cache=True)
def _walk(order, before, normal):
    """Signs, (k,): each node's normal agrees with that of the node it is reached from; node k is the start."""
    signs = np.ones(normal.shape[0])
    for node in order[1:]:
        source = before[node]
        if source < normal.shape[0]:
            dot = 0.0
            for axis in range(3):
                dot += normal[node, axis] * normal[source, axis]
            signs[node] = -signs[source] if dot < 0.0 else signs[source]
    return signs


def _like_nearest(mean, normal, at_mm, oriented):
    """Normals turned to the side of the node near by that is most parallel."""
    _, near = cKDTree(at_mm).query(mean, min(4, len(at_mm)))
    near = near.reshape(len(mean), -1)
    cosine = np.einsum("ij,ikj->ik", normal, oriented[near])
    best = np.take_along_axis(cosine, np.argmax(np.abs(cosine), axis=1)[:, None], axis=1)[:, 0]
    return normal * np.where(best < 0, -1.0, 1.0)[:, None]
