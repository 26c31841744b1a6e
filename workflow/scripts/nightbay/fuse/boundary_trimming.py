"""Ends a surface where points bear on it: the rim is drawn back to where at least two of them agree."""

import numpy as np
from numba import njit
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from nightbay.fuse.face_removal import Cut
from nightbay.meshes import surface, topology

HOLE = 36  # edges: a hole 11 grid units wide, more than a target and its torn rim; points all round speak for its edge
BOTH = 1.5  # points by weight: with fewer a vertex lies on one point's plane, and no other speaks for it or against


def draw_back(whole):
    """``(Cut, area_mm2)``: the surface without what no two points bear, and the area that went.

    ``whole``: a :class:`Surface` whose columns may lie on disk; its faces are read a block at a time.
    ``count`` of a vertex, points by weight, decides. From the rim inwards all faces go that have a vertex with fewer
    than :data:`BOTH`, and so from every vertex that no point bears. A place inside, or round a hole of fewer than
    :data:`HOLE` edges, that one point alone bears stays: what lies around holds it. Where two fans are left at a
    vertex, each gets one of its own: the surface stays a manifold.
    """
    count = whole.vertex["count"][:]
    few, bare = count < BOTH, count <= 0
    del count
    bare |= few & _rim(whole.faces, len(few))
    _spread(topology.touching(whole.faces, np.flatnonzero(few), len(few)), few, bare)
    gone = np.empty(len(whole.faces), bool)
    for rows in surface.spans(len(gone)):
        gone[rows] = topology.marked_corners(whole.faces[rows], bare) > 0
    left = topology.touching(whole.faces, np.flatnonzero(bare), len(bare))
    touched = surface.in_use(left, len(bare)) & ~bare
    number = topology.compact(left)
    lost_mm2 = float(surface.areas_of(whole.vertices_mm[number], left).sum())
    changed = np.concatenate(
        [
            rows.start + np.flatnonzero((topology.marked_corners(whole.faces[rows], touched) > 0) & ~gone[rows])
            for rows in surface.spans(len(gone))
        ]
        or [np.empty(0, np.int64)]
    )
    corners = whole.faces[changed]
    number = topology.compact(corners)
    doubled = number[_own_fans(corners, touched[number])]
    number = np.concatenate([number, np.arange(len(few), len(few) + len(doubled), dtype=np.int32)])
    surface.renumber(corners, number)
    return Cut(whole, gone, changed, corners, doubled), lost_mm2


def _rim(faces, vertex_count):
    """Vertices on boundaries, (n,) bool, without those round small holes."""
    edges = topology.boundary_half_edges(faces, vertex_count)
    used, ends = np.unique(edges, return_inverse=True)
    ends = ends.reshape(edges.shape)
    _, loop = connected_components(coo_matrix((np.ones(len(ends)), ends.T), (len(used), len(used))), directed=False)
    rim = np.zeros(vertex_count, bool)
    rim[used] = np.bincount(loop[ends[:, 0]], minlength=loop.max(initial=0) + 1)[loop] >= HOLE
    return rim


@njit(cache=True)
def _spread(faces, few, bare):
    """Let ``bare``, (n,) bool, grow over the faces to the next vertices of ``few``, (n,) bool, in place."""
    grows = True
    while grows:
        grows = False
        for i in range(len(faces)):
            a, b, c = faces[i, 0], faces[i, 1], faces[i, 2]
            if (few[a] or few[b] or few[c]) and (bare[a] or bare[b] or bare[c]):
                for v in (a, b, c):
                    if few[v] and not bare[v]:
                        bare[v] = grows = True


@njit(cache=True)
def _own_fans(faces, touched):
    """Give every fan but the first at a vertex of ``touched``, (n,) bool, a new vertex, from row n on, in place.

    Returns the row that each new vertex was, (m,). Faces that share an edge lie in one fan at both its ends, so they
    still name that edge alike.
    """
    rows = np.flatnonzero(touched)
    slot = np.full(len(touched), -1, np.int64)
    slot[rows] = np.arange(len(rows))
    start = np.zeros(len(rows) + 1, np.int64)
    for vertex in faces.flat:
        if slot[vertex] >= 0:
            start[slot[vertex] + 1] += 1
    start = np.cumsum(start)
    fill, corners = start[:-1].copy(), np.empty((start[-1], 2), np.int64)
    for i in range(len(faces)):
        for k in range(3):
            at = slot[faces[i, k]]
            if at >= 0:
                corners[fill[at]] = i, k
                fill[at] += 1
    original = []
    for at in range(len(rows)):
        mine = corners[start[at] : start[at + 1]]
        fan = _fans(faces, mine)
        for number in range(1, len(mine)):
            if fan[number] == number:  # the first corner of another fan
                for one in range(number, len(mine)):
                    if fan[one] == number:
                        faces[mine[one, 0], mine[one, 1]] = len(touched) + len(original)
                original.append(rows[at])
    return np.array(original, np.int64)


@njit(cache=True)
def _fans(faces, corners):
    """For each of a vertex's corners, (k, 2) face and corner in it, the first one of its fan, (k,)."""
    fan = np.arange(len(corners))
    grows = True
    while grows:
        grows = False
        for one in range(len(corners)):
            ahead = faces[corners[one, 0], (corners[one, 1] + 1) % 3]
            for other in range(len(corners)):
                if fan[one] != fan[other] and faces[corners[other, 0], (corners[other, 1] + 2) % 3] == ahead:
                    fan[one] = fan[other] = min(fan[one], fan[other])
                    grows = True
    return fan
