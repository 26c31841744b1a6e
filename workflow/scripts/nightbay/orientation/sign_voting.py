"""Which side of a measured surface is the outside: one sign for every node, where only the directions are known.

Nodes are first joined into smooth patches, inside which the sign is certain. Then patches vote on each other: every
step from a node of one to a node of another shows whether their signs agree, and so does every position from which a
scanner would have seen both. A single wrong step, which would turn half a vehicle over in a spanning tree of nodes
(H. Hoppe et al., SIGGRAPH 1992, 71-78), is outvoted. Last, each connected piece is turned away from the middle of all
nodes.
"""

import numpy as np
from numba import njit
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.csgraph import breadth_first_order, connected_components, minimum_spanning_tree
from scipy.spatial import cKDTree

NEIGHBOURS = 10  # steps from a node: the eight around it on a surface and two more
JUMP = 3.0  # longest step in edges of the nodes' grid: a diagonal over one empty cell
SMOOTH = 0.97  # cosine of 14 deg between neighbours in a patch: a bend of 40 mm radius at 10 mm steps
ALONG = 0.3  # a step in a patch leaves the surface by no more than 17 deg
SURE = 0.5  # agreement, a cosine, from which a step between patches has a vote: none between 60 and 120 deg
VIEW_WEIGHT = 0.005  # votes of a shared view against those of a step: there are many more pairs of views than of steps
VIEW_GRID = 0.1  # nodes that views are taken from: one a patch in each cell of this share of the stand-off,
VIEW_NODES = 4.0  # or of so many edges of the nodes' grid, whichever is larger
VIEW_FEWEST = 20  # nodes of a patch that has views: smaller ones are noise as often as not
VIEW_COSINES = (-0.5, 0.9)  # angle of two surfaces that share a view, 26 to 120 deg: parallel ones have no vote
TURNS = 500  # most ties that are reversed in the end; on scans it is about ten


def outward(at_mm: np.ndarray, normal: np.ndarray, edge_mm: float, standoff_mm: float) -> tuple[np.ndarray, float]:
    """Signs, (k,), that turn the normals (k, 3) of nodes ``at_mm`` (k, 3) to the outside.

    ``edge_mm``: edge of the grid that the nodes were chosen on; ``standoff_mm``: distance of the scanner from the
    surface. Returns ``(signs, certainty)``, certainty 0..1: near 0 for a shape as flat as a door, of which either side
    could be the outer one.
    """
    signs, patch, votes = _joined(at_mm, normal, edge_mm, standoff_mm)
    turned, group = _agree(votes)
    signs, piece = signs * turned[patch], group[patch]
    flux = np.sum(normal * signs[:, None] * (at_mm - np.median(at_mm, axis=0)), axis=1)
    away = np.bincount(piece, flux)
    certainty = np.abs(away).sum() / max(np.abs(flux).sum(), np.finfo(float).tiny)
    return signs * np.where(away < 0, -1.0, 1.0)[piece], float(certainty)


def constrained(
    at_mm: np.ndarray, normal: np.ndarray, edge_mm: float, standoff_mm: float, known_sign: np.ndarray
) -> np.ndarray:
    """Signs, (k,), for nodes as in :func:`outward`, of some of which the sign was observed.

    ``known_sign`` (k,): 1 or -1 where the normal as given is known to be right or wrong, 0 where nothing is known. What
    is connected to no known node keeps its side. A known sign that is wrong is outvoted by the others of its patch.
    """
    signs, patch, votes = _joined(at_mm, normal, edge_mm, standoff_mm)
    anchor = votes.shape[0]  # one more patch, whose sign is right
    votes.resize((anchor + 1, anchor + 1))
    known = np.flatnonzero(known_sign)
    constraints = _vote_matrix(patch[known], np.full(len(known), anchor), (known_sign * signs)[known], anchor + 1)
    turned, group = _agree(votes + constraints)
    return np.where(group[patch] == group[anchor], signs * turned[patch] * turned[anchor], 1.0)


def _joined(
    at_mm: np.ndarray, normal: np.ndarray, edge_mm: float, standoff_mm: float
) -> tuple[np.ndarray, np.ndarray, csr_matrix]:
    """Nodes joined to smooth patches: signs that agree within each, (k,), the patch of each node, (k,), and the votes
    of the patches on each other, (p, p)."""
    first, second, step = _steps(at_mm, edge_mm)
    signs, patch = _patches(normal, first, second, step)
    normal = normal * signs[:, None]
    votes = _near_votes(normal, first, second, step, patch)
    grid_mm = max(VIEW_GRID * standoff_mm, VIEW_NODES * edge_mm)
    return signs, patch, votes + _view_votes(at_mm, normal, patch, grid_mm, standoff_mm)


def _steps(at_mm: np.ndarray, edge_mm: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Steps between neighbours: rows of both ends, (s,), and unit directions, (s, 3)."""
    count = len(at_mm)
    asked = min(NEIGHBOURS + 1, count)
    distance, second = cKDTree(at_mm).query(at_mm, asked, distance_upper_bound=JUMP * edge_mm)
    distance, second = distance.reshape(count, asked), second.reshape(count, asked)
    first = np.repeat(np.arange(count), asked).reshape(count, asked)
    real = np.isfinite(distance) & (distance > 0)
    first, second, distance = first[real], second[real], distance[real]
    return first, second, (at_mm[second] - at_mm[first]) / distance[:, None]


def _patches(
    normal: np.ndarray, first: np.ndarray, second: np.ndarray, step: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Signs that agree within smooth patches, (k,), and the patch of every node, (k,)."""
    cosine = np.sum(normal[first] * normal[second], axis=1)
    leaving = np.maximum(np.abs(np.sum(step * normal[first], axis=1)), np.abs(np.sum(step * normal[second], axis=1)))
    smooth = (np.abs(cosine) > SMOOTH) & (leaving < ALONG)
    signs, patch, _, _ = _over_tree(
        first[smooth],
        second[smooth],
        np.where(cosine[smooth] < 0, -1.0, 1.0),
        1.001 - np.abs(cosine[smooth]),
        len(normal),
    )
    return signs, patch


def _over_tree(
    first: np.ndarray, second: np.ndarray, agree: np.ndarray, cost: np.ndarray, count: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Signs spread from node to node over the cheapest tree of the given ties.

    Returns the signs, the connected piece of every node, and the walk: nodes in the order they are reached in, and the
    node that each is reached from; the walk starts at one more node, number ``count``, that is tied to every piece.
    ``agree`` 1 or -1 of each tie, ``cost`` above 0; ties may be given in one direction or both.
    """
    low, high = np.minimum(first, second), np.maximum(first, second)
    cheapest = np.lexsort((agree, cost, high, low))
    rows = cheapest[np.flatnonzero(np.diff(low[cheapest] * count + high[cheapest], prepend=-1))]
    tree = minimum_spanning_tree(coo_matrix((cost[rows], (low[rows], high[rows])), (count, count)).tocsr()).tocoo()
    _, piece = connected_components(tree, directed=False)
    pair = low[rows] * count + high[rows]
    tie_sign = agree[rows][np.searchsorted(pair, tree.row.astype(np.int64) * count + tree.col)]
    # One more node, tied to the first of every piece, so that a single walk visits them all.
    heads = np.unique(piece, return_index=True)[1]
    ends = np.concatenate([tree.row, np.full(len(heads), count)]), np.concatenate([tree.col, heads])
    ties = coo_matrix((np.concatenate([tie_sign, np.ones(len(heads))]), ends), (count + 1, count + 1)).tocsr()
    ties = ties + ties.T
    order, before = breadth_first_order(ties, count, directed=False)
    return _follow(order, before, ties.indptr, ties.indices, ties.data)[:count], piece, order, before


@njit(cache=True)
def _follow(order, before, indptr, indices, data):
    """Signs of all nodes: each has that of the node it is reached from, times the sign of the tie between them."""
    signs = np.ones(len(order))
    for node in order[1:]:
        source = before[node]
        for at in range(indptr[node], indptr[node + 1]):
            if indices[at] == source:
                signs[node] = signs[source] * data[at]
    return signs


def _near_votes(
    normal: np.ndarray, first: np.ndarray, second: np.ndarray, step: np.ndarray, patch: np.ndarray
) -> csr_matrix:
    """Votes of steps from patch to patch, symmetric (p, p): positive where their signs agree.

    Along any arc the normals at its ends are mirror images of each other, whatever the angle of the arc. So each is
    compared with the mirrored other. Steps that leave both surfaces, as from a panel to one behind it, weigh less.
    """
    between = patch[first] != patch[second]
    first, second, step = first[between], second[between], step[between]
    leaves, meets = np.sum(step * normal[first], axis=1), np.sum(step * normal[second], axis=1)
    agreement = np.sum(normal[first] * normal[second], axis=1) - 2.0 * leaves * meets
    vote = np.sign(agreement) * np.clip((np.abs(agreement) - SURE) / (1 - SURE), 0, 1)
    vote *= np.clip(2 - 2 * np.abs(leaves * meets), 0, 1)
    return _vote_matrix(patch[first], patch[second], vote, patch.max() + 1)


def _view_votes(
    at_mm: np.ndarray, normal: np.ndarray, patch: np.ndarray, grid_mm: float, standoff_mm: float
) -> csr_matrix:
    """Votes of viewpoints, symmetric (p, p): the signs of two patches agree where their outer sides share a viewpoint.

    A floor and a wall on it share the viewpoints in front of both, whether they touch in the scan or not.
    """
    count = patch.max() + 1
    cell = np.floor((at_mm - at_mm.min(axis=0)) / grid_mm).astype(np.int64)
    _, chosen = np.unique(np.column_stack([cell, patch]), axis=0, return_index=True)
    chosen = chosen[np.bincount(patch)[patch[chosen]] >= VIEW_FEWEST]
    if len(chosen) < 2:
        return coo_matrix((count, count)).tocsr()
    side = np.repeat([1.0, -1.0], len(chosen))
    looked, where = np.tile(normal[chosen], (2, 1)) * side[:, None], np.tile(patch[chosen], 2)
    views = np.tile(at_mm[chosen], (2, 1)) + standoff_mm * looked
    first, second = cKDTree(views).query_pairs(standoff_mm / 2, output_type="ndarray").T
    cosine = np.sum(looked[first] * looked[second], axis=1)
    telling = (where[first] != where[second]) & (cosine > VIEW_COSINES[0]) & (cosine < VIEW_COSINES[1])
    first, second = first[telling], second[telling]
    return _vote_matrix(where[first], where[second], VIEW_WEIGHT * side[first] * side[second], count)


def _vote_matrix(first: np.ndarray, second: np.ndarray, vote: np.ndarray, count: int) -> csr_matrix:
    """Votes of patches on each other, (v,) each, summed in a symmetric matrix, (count, count)."""
    votes = coo_matrix(
        (np.concatenate([vote, vote]), (np.r_[first, second], np.r_[second, first])), (count, count)
    ).tocsr()
    votes.sum_duplicates()
    return votes


def _agree(votes: csr_matrix) -> tuple[np.ndarray, np.ndarray]:
    """Signs of the patches that follow their votes, (p,), and the connected piece of each.

    The tree follows the strongest votes; then, as long as all votes together contradict one of its ties, the part of
    the tree beyond that tie is turned over. So a strong tie that is wrong does not outweigh many that are right.
    """
    votes.eliminate_zeros()
    ties = votes.tocoo()
    first, second, vote = ties.row.astype(np.int64), ties.col.astype(np.int64), ties.data
    signs, piece, order, before = _over_tree(first, second, np.sign(vote), 1 / np.abs(vote), votes.shape[0])
    once = first < second
    first, second, vote = first[once], second[once], vote[once]
    for _ in range(TURNS):
        support = _support(order, before, first, second, vote * signs[first] * signs[second])
        worst = int(np.argmin(support))
        if support[worst] > -VIEW_WEIGHT / 2:  # nothing but rounding
            break
        signs[_beyond(order, before, worst)] *= -1
    return signs, piece


@njit(cache=True)
def _support(order, before, first, second, vote):
    """For the tie above every node the sum of all votes between the two parts that it joins, (p,)."""
    start = order[0]
    depth, load = np.zeros(len(order), np.int64), np.zeros(len(order))
    for node in order[1:]:
        depth[node] = depth[before[node]] + 1
    for at in range(len(first)):
        a, b = first[at], second[at]
        while a != b:
            if depth[a] >= depth[b]:
                a = before[a]
            else:
                b = before[b]
        load[first[at]] += vote[at]
        load[second[at]] += vote[at]
        load[a] -= 2.0 * vote[at]
    for at in range(len(order) - 1, 0, -1):
        node = order[at]
        if before[node] != start:
            load[before[node]] += load[node]
    return load[: len(order) - 1]


@njit(cache=True)
def _beyond(order, before, top):
    """Which nodes are below ``top`` in the tree, itself included, (p,) bool."""
    inside = np.zeros(len(order), np.bool_)
    for node in order[1:]:
        inside[node] = node == top or inside[before[node]]
    return inside[:-1]
