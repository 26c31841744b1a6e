"""Boundaries of a triangle mesh: the half-edges that bear one face only, and the closed loops that they form."""

from dataclasses import dataclass

import numpy as np
from numba import njit

from nightbay.meshes.surface import spans


@dataclass(frozen=True)
class Loops:
    """Closed boundary loops of a surface, each vertex once a loop.

    ``vertices`` (k,) int64, loop after loop, in the direction of the faces' half-edges: seen from outside, the outer
    boundary of a sheet runs anticlockwise and the rim of a hole in it clockwise. ``start`` (l + 1,) int64: loop i is
    ``vertices[start[i]:start[i + 1]]``.
    """

    vertices: np.ndarray
    start: np.ndarray

    def __len__(self):
        return len(self.start) - 1

    def __getitem__(self, number):
        return self.vertices[self.start[number] : self.start[number + 1]]

    @property
    def sizes(self):
        """Number of vertices of each loop, (l,)."""
        return np.diff(self.start)

    @property
    def loop_of_vertex(self):
        """Number of the loop of each entry of ``vertices``, (k,)."""
        return np.repeat(np.arange(len(self)), self.sizes)


def balance(faces, label, vertex_count):
    """Whether faces of one label close a ring round each vertex: (n,) uint64, zero where they do.

    The sum over the faces of a vertex of a number for the next vertex less one for the previous; where faces close no
    ring, it is zero by chance once in 2^64.
    """
    total = np.zeros(vertex_count, np.uint64)
    _add_balance(total, faces, label)
    return total


@njit(cache=True)
def _add_balance(total, faces, label):
    for face in range(len(faces)):
        a, b, c = faces[face, 0], faces[face, 1], faces[face, 2]
        p, q, r = _mixed(a, label[face]), _mixed(b, label[face]), _mixed(c, label[face])
        total[a] += q - r
        total[b] += r - p
        total[c] += p - q


@njit(cache=True)
def _mixed(vertex, label):
    """A vertex's number and a label as 64 bits without any order (the finaliser of splitmix64, from memory)."""
    value = (np.uint64(vertex) << np.uint64(8)) + np.uint64(label) + np.uint64(0x9E3779B97F4A7C15)
    value = (value ^ (value >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    value = (value ^ (value >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return value ^ (value >> np.uint64(31))


def boundary_vertices(faces, vertex_count):
    """Vertices on a boundary, (k,) int64; ``faces`` is read a block at a time, and 8 bytes a vertex are kept."""
    total = np.zeros(vertex_count, np.uint64)
    for span in spans(len(faces)):
        block = faces[span]
        _add_balance(total, block, np.zeros(len(block), np.uint8))
    return np.flatnonzero(total)


def touching(faces, vertices, vertex_count, corners=1):
    """The faces, (k, 3), that have at least so many ``corners`` among ``vertices``, in their order.

    ``faces`` (m, 3), an array or a :class:`~nightbay.meshes.surface.Column`, is read a block at a time.
    """
    marked = np.zeros(vertex_count, bool)
    marked[vertices] = True
    found = [np.empty((0, 3), np.int32)]
    for span in spans(len(faces)):
        block = faces[span]
        found.append(block[marked_corners(block, marked) >= corners])
    return np.concatenate(found)


@njit(cache=True)
def marked_corners(faces, marked):
    """How many corners of each face are among the ``marked`` vertices, (m,) uint8."""
    found = np.empty(len(faces), np.uint8)
    for face in range(len(faces)):
        found[face] = np.int64(marked[faces[face, 0]]) + marked[faces[face, 1]] + marked[faces[face, 2]]
    return found


@njit(cache=True, nogil=True)
def compact(faces):
    """Let some of a mesh's faces, (k, 3) int32, name the vertices that they use by rows from 0 on, in place; returns
    those vertices, (n,) int32 ascending."""
    if len(faces) == 0:
        return np.empty(0, np.int32)
    low, high = faces[0, 0], faces[0, 0]
    for face in range(len(faces)):
        for k in range(3):
            low, high = min(low, faces[face, k]), max(high, faces[face, k])
    row = np.zeros(high + 1 - low, np.int32)
    for face in range(len(faces)):
        for k in range(3):
            row[faces[face, k] - low] = 1
    used = 0
    for at in range(len(row)):
        used += row[at]
        row[at] *= used
    number = np.empty(used, np.int32)
    for at in range(len(row)):
        if row[at] > 0:
            number[row[at] - 1] = at + low
    for face in range(len(faces)):
        for k in range(3):
            faces[face, k] = row[faces[face, k] - low] - 1
    return number


@njit(cache=True, nogil=True)
def incidence(faces, count, room=1.0):
    """Faces of each vertex, in their order: ``of[start[v]:start[v + 1]]``; (n + 1,) and ``room`` times (3 m,) int32."""
    start = np.zeros(count + 1, np.int32)  # three times the faces are less than 2^31
    for face in range(len(faces)):
        for k in range(3):
            start[faces[face, k] + 1] += 1
    for vertex in range(count):
        start[vertex + 1] += start[vertex]
    fill = start[:-1].copy()
    of = np.empty(int(3 * room * len(faces)), np.int32)
    for face in range(len(faces)):
        for k in range(3):
            vertex = faces[face, k]
            of[fill[vertex]] = face
            fill[vertex] += 1
    return start, of


def directed_edges(faces, vertex_count):
    """Sorted keys of all half-edges, (3 m,) int64: ``(low * vertex_count + high) * 2``, odd where high comes first.

    One array of 24 bytes a face and its sort are all that a scan of the whole mesh needs in memory.
    """
    keys = np.empty(3 * len(faces), np.int64)
    for corner in range(3):
        key = keys[corner * len(faces) : (corner + 1) * len(faces)]
        a, b = faces[:, corner], faces[:, (corner + 1) % 3]
        np.minimum(a, b, out=key)
        key *= vertex_count
        key += np.maximum(a, b)
        key *= 2
        key += a > b
    keys.sort()
    return keys


def boundary_half_edges(faces, vertex_count, boundary=None):
    """Half-edges without a partner, (k, 2) int64 as (from, to) in the direction of their face, sorted by ``from``.

    ``faces`` as in :func:`touching`; ``boundary``: what :func:`boundary_vertices` says, where it is known, or those of
    its vertices that count. Both faces of an edge between boundary vertices lie among those with two such corners, so
    that no others count.
    """
    boundary = boundary_vertices(faces, vertex_count) if boundary is None else boundary
    open_at = np.zeros(vertex_count, bool)
    open_at[boundary] = True
    keys = directed_edges(touching(faces, boundary, vertex_count, 2), vertex_count)
    edge = keys >> 1
    single = np.ones(len(edge), bool)
    same = edge[1:] == edge[:-1]
    single[1:] &= ~same
    single[:-1] &= ~same
    low, high = np.divmod(edge[single], vertex_count)
    backward = (keys[single] & 1).astype(bool)
    between = open_at[low] & open_at[high]  # others have their second face among those that were left out
    low, high, backward = low[between], high[between], backward[between]
    half_edges = np.column_stack([np.where(backward, high, low), np.where(backward, low, high)])
    return half_edges[np.lexsort((half_edges[:, 1], half_edges[:, 0]))]


def defects(faces, vertex_count):
    """What keeps a mesh from being an oriented manifold: ``{"edges_of_many_faces", "edges_of_one_direction"}``.

    The first counts edges with more than two faces; the second edges whose two faces run along them the same way, so
    that one of them is flipped.
    """
    keys = directed_edges(faces, vertex_count)
    _, first, uses = np.unique(keys >> 1, return_index=True, return_counts=True)
    pairs = first[uses == 2]
    return {
        "edges_of_many_faces": int(np.count_nonzero(uses > 2)),
        "edges_of_one_direction": int(np.count_nonzero(keys[pairs] == keys[pairs + 1])),
    }


def loops(faces, vertex_count, boundary=None):
    """All closed boundary loops of a mesh, (m, 3) int, as :class:`Loops`, in order of their lowest vertex.

    ``faces`` and ``boundary`` as in :func:`boundary_half_edges`. Those of a piece of a mesh that has all faces at the
    mesh's boundary vertices are the mesh's loops.

    Where sheets or holes touch in one vertex, a boundary stays on the fan of faces that it came along, so a loop never
    steps from one sheet to another; a loop that comes back to a vertex is parted there. Boundaries that do not close,
    which happens only where an edge bears three or more faces, are left out.
    """
    half_edges = boundary_half_edges(faces, vertex_count, boundary)
    starts, ends = half_edges[:, 0], half_edges[:, 1]
    first = np.searchsorted(starts, ends, side="left")
    leaving = np.searchsorted(starts, ends, side="right") - first
    successor = np.where(leaving > 0, first, -1)
    shared = np.unique(ends[leaving > 1])
    if len(shared):
        _follow_fans(touching(faces, shared, vertex_count), half_edges, successor, shared)
    vertices, start = _trace(half_edges, successor, np.searchsorted(np.unique(starts), starts))
    return Loops(vertices, start)


def _follow_fans(faces, half_edges, successor, shared):
    """At vertices that several fans of faces share, let each half-edge go on along its own fan (in place)."""
    number = {(int(a), int(b)): at for at, (a, b) in enumerate(half_edges)}
    around: dict[int, dict[int, int]] = {}
    for corner in range(3):
        for face in faces[np.isin(faces[:, corner], shared)]:
            vertex, after, before = (int(face[(corner + step) % 3]) for step in range(3))
            around.setdefault(vertex, {})[after] = before
    for vertex, following in around.items():
        for leaving in following:
            if (vertex, leaving) not in number:
                continue
            end = leaving
            for _ in range(len(following)):
                end = following.get(end, end)
            if (end, vertex) in number:
                successor[number[end, vertex]] = number[vertex, leaving]


@njit(cache=True)
def _trace(half_edges, successor, local):
    """Walk all half-edges; ``local`` (k,) numbers their starting vertices without gaps."""
    count = len(half_edges)
    vertices = np.empty(count, np.int64)
    start = [0]
    written = 0
    done = np.zeros(count, np.bool_)
    place = np.full(count + 1, -1, np.int64)  # where a vertex stands on the path, -1 where it doesn't
    path = np.empty(count, np.int64)
    for seed in range(count):
        if done[seed]:
            continue
        length = 0
        at = seed
        while at >= 0 and not done[at]:
            done[at] = True
            if place[local[at]] >= 0:  # the path has come back: what lies between is a loop of its own
                back = place[local[at]]
                for k in range(back, length):
                    vertices[written] = half_edges[path[k], 0]
                    written += 1
                    place[local[path[k]]] = -1
                start.append(written)
                length = back
            place[local[at]] = length
            path[length] = at
            length += 1
            at = successor[at]
        closed = at >= 0 and length > 0 and half_edges[at, 0] == half_edges[path[0], 0]
        for k in range(length):
            if closed:
                vertices[written] = half_edges[path[k], 0]
                written += 1
            place[local[path[k]]] = -1
        if closed:
            start.append(written)
    return vertices[:written].copy(), np.array(start, dtype=np.int64)
