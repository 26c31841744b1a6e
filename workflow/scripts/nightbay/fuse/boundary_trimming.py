"""Boundary trimming: removes the margins of a surface that fewer than two points support."""

import numpy as np
from numba import njit
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from nightbay.fuse.face_removal import TrimmedSurface
from nightbay.meshes import surface, topology

# Edges of a small hole: 11 grid units wide, more than a target and its torn edge. Points all round support its edge.
SMALL_HOLE = 36
FEWEST = 1.5  # points by weight: with fewer a vertex lies on one point's plane, and no other confirms or contradicts it


def trim(whole: surface.Surface) -> tuple[TrimmedSurface, float]:
    """The surface without its weakly supported margins, and the area that is removed, mm2.

    ``whole``: its columns may lie on disk; its faces are read a block at a time. A vertex is weak if its ``count``,
    points by weight, is below :data:`FEWEST`. All faces are removed that have a weak vertex which is connected through
    weak vertices to a boundary or to a vertex without points. Other weak vertices inside, and those round a hole of
    fewer than :data:`SMALL_HOLE` edges, stay: the surface around supports them. Where several fans are left at a
    vertex, each gets a vertex of its own: the surface stays manifold.
    """
    count = whole.vertex["count"][:]
    weak, removed = count < FEWEST, count <= 0
    del count
    removed |= weak & _on_long_boundary(whole.faces, len(weak))
    _grow(topology.touching(whole.faces, np.flatnonzero(weak), len(weak)), weak, removed)
    removed_faces = np.empty(len(whole.faces), bool)
    for rows in surface.spans(len(removed_faces)):
        removed_faces[rows] = topology.marked_corners(whole.faces[rows], removed) > 0
    trimmed = topology.touching(whole.faces, np.flatnonzero(removed), len(removed))
    touched = surface.in_use(trimmed, len(removed)) & ~removed
    number = topology.compact(trimmed)
    area_mm2 = float(surface.areas_of(whole.vertices_mm[number], trimmed).sum())
    changed, corners, copied = _split_fans(whole, removed_faces, touched)
    return TrimmedSurface(whole, removed_faces, changed, corners, copied), area_mm2


def _split_fans(
    whole: surface.Surface, removed: np.ndarray, touched: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give each fan that is left at a vertex of ``touched``, (n,) bool, a vertex of its own: ``changed``, ``corners``
    and ``copied`` of :class:`TrimmedSurface`."""
    changed = np.concatenate(
        [
            rows.start + np.flatnonzero((topology.marked_corners(whole.faces[rows], touched) > 0) & ~removed[rows])
            for rows in surface.spans(len(removed))
        ]
        or [np.empty(0, np.int64)]
    )
    corners = whole.faces[changed]
    number = topology.compact(corners)
    copied = number[_separate_fans(corners, touched[number])]
    number = np.concatenate([number, np.arange(len(touched), len(touched) + len(copied), dtype=np.int32)])
    surface.renumber(corners, number)
    return changed, corners, copied


def _on_long_boundary(faces: np.ndarray, vertex_count: int) -> np.ndarray:
    """Vertices on boundaries, (n,) bool, without those round small holes."""
    edges = topology.boundary_half_edges(faces, vertex_count)
    used, ends = np.unique(edges, return_inverse=True)
    ends = ends.reshape(edges.shape)
    _, loop = connected_components(coo_matrix((np.ones(len(ends)), ends.T), (len(used), len(used))), directed=False)
    boundary = np.zeros(vertex_count, bool)
    boundary[used] = np.bincount(loop[ends[:, 0]], minlength=loop.max(initial=0) + 1)[loop] >= SMALL_HOLE
    return boundary


@njit(cache=True)
def _grow(faces, weak, removed):
    """Let ``removed``, (n,) bool, grow over the faces to the next vertices of ``weak``, (n,) bool, in place."""
    grows = True
    while grows:
        grows = False
        for i in range(len(faces)):
            a, b, c = faces[i, 0], faces[i, 1], faces[i, 2]
            if (weak[a] or weak[b] or weak[c]) and (removed[a] or removed[b] or removed[c]):
                for v in (a, b, c):
                    if weak[v] and not removed[v]:
                        removed[v] = grows = True


@njit(cache=True)
def _separate_fans(faces, touched):
    """Give every fan but the first at a vertex of ``touched``, (n,) bool, a new vertex, from row n on, in place.

    Returns the row of the vertex that each new vertex copies, (m,). Faces that share an edge lie in one fan at both its
    ends, so they keep the same two vertices there.
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
    original: list[int] = []
    for at in range(len(rows)):
        mine = corners[start[at] : start[at + 1]]
        fan = _fans(faces, mine)
        for number in range(1, len(mine)):
            if fan[number] == number:  # the first corner of another fan
                for corner in range(number, len(mine)):
                    if fan[corner] == number:
                        faces[mine[corner, 0], mine[corner, 1]] = len(touched) + len(original)
                original.append(rows[at])
    return np.array(original, np.int64)


@njit(cache=True)
def _fans(faces, corners):
    """For each of a vertex's corners, (k, 2) face and corner in it, the first one of its fan, (k,)."""
    fan = np.arange(len(corners))
    grows = True
    while grows:
        grows = False
        for corner in range(len(corners)):
            ahead = faces[corners[corner, 0], (corners[corner, 1] + 1) % 3]
            for other in range(len(corners)):
                if fan[corner] != fan[other] and faces[corners[other, 0], (corners[other, 1] + 2) % 3] == ahead:
                    fan[corner] = fan[other] = min(fan[corner], fan[other])
                    grows = True
    return fan
