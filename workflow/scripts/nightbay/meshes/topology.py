"""Boundaries of a triangle mesh: the half-edges of edges with a single face, and the closed loops that they form."""

from dataclasses import dataclass

import numpy as np
from numba import njit

from nightbay.meshes.surface import Column, spans


@dataclass(frozen=True)
class Loops:
    """Closed boundary loops of a surface, in each of which a vertex occurs once.

    ``vertices`` (k,) int64, loop after loop, in the direction of the faces' half-edges: seen from outside, the outer
    boundary of a sheet runs anticlockwise and that of a hole in it clockwise. ``start`` (l + 1,) int64: loop i is
    ``vertices[start[i]:start[i + 1]]``.
    """

    vertices: np.ndarray
    start: np.ndarray

    def __len__(self) -> int:
        return len(self.start) - 1

    def __getitem__(self, number: int | np.integer) -> np.ndarray:
        return self.vertices[self.start[number] : self.start[number + 1]]

    @property
    def sizes(self) -> np.ndarray:
        """Number of vertices of each loop, (l,)."""
        return np.diff(self.start)

    @property
    def loop_of_vertex(self) -> np.ndarray:
        """Number of the loop of each entry of ``vertices``, (k,)."""
        return np.repeat(np.arange(len(self)), self.sizes)


def balance(faces: np.ndarray, label: np.ndarray, vertex_count: int) -> np.ndarray:
    """Whether the faces of equal label form a closed ring around each vertex: (n,) uint64, zero where they do.

    ``faces`` (m, 3) int; ``label`` (m,) uint8. Each face around a vertex adds a hash of its next corner and subtracts a
    hash of its previous one, so a closed ring sums to zero. The probability that an open ring does is 2**-64.
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
    """Hash of a vertex's number and a label, 64 bits (the finaliser of splitmix64, constants from memory)."""
    value = (np.uint64(vertex) << np.uint64(8)) + np.uint64(label) + np.uint64(0x9E3779B97F4A7C15)
    value = (value ^ (value >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    value = (value ^ (value >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return value ^ (value >> np.uint64(31))


def boundary_vertices(faces: np.ndarray | Column, vertex_count: int) -> np.ndarray:
    """Vertices on a boundary, (k,) int64 ascending; ``faces``, (m, 3), is read a block at a time.

    It takes 8 bytes of memory a vertex.
    """
    total = np.zeros(vertex_count, np.uint64)
    for span in spans(len(faces)):
        block = faces[span]
        _add_balance(total, block, np.zeros(len(block), np.uint8))
    return np.flatnonzero(total)


def touching(faces: np.ndarray | Column, vertices: np.ndarray, vertex_count: int, corners: int = 1) -> np.ndarray:
    """The faces, (k, 3) int32, with at least ``corners`` corners among ``vertices``, (v,) int, in their order.

    ``faces``, (m, 3) int32, is read a block at a time.
    """
    marked = np.zeros(vertex_count, bool)
    marked[vertices] = True
    found = [np.empty((0, 3), np.int32)]
    for span in spans(len(faces)):
        block = faces[span]
        found.append(block[marked_corners(block, marked) >= corners])
    return np.concatenate(found)


@njit(cache=True)
def marked_corners(faces: np.ndarray, marked: np.ndarray) -> np.ndarray:
    """Number of corners of each of the ``faces``, (m, 3) int, among the ``marked``, (n,) bool, vertices: (m,) uint8."""
    found = np.empty(len(faces), np.uint8)
    for face in range(len(faces)):
        found[face] = np.int64(marked[faces[face, 0]]) + marked[faces[face, 1]] + marked[faces[face, 2]]
    return found


@njit(cache=True, nogil=True)
def compact(faces: np.ndarray) -> np.ndarray:
    """Renumber the vertices of ``faces``, (k, 3) int32, without gaps from 0 on, in place.

    Returns the former number of each, (n,) int32 ascending.
    """
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
def incidence(faces: np.ndarray, count: int, room: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """Faces around each of ``count`` vertices, as ``start`` (count + 1,) and ``of`` (``room`` * 3 m,), both int32.

    The faces of vertex v, in their order, are ``of[start[v]:start[v + 1]]``. ``faces`` (m, 3) int32; a ``room`` above 1
    leaves free entries at the end of ``of``.
    """
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


def directed_edges(faces: np.ndarray, vertex_count: int) -> np.ndarray:
    """Sorted keys of all half-edges, (3 m,) int64: ``(low * vertex_count + high) * 2``, odd where high comes first.

    ``faces`` (m, 3) int. The keys take 24 bytes of memory a face and are sorted in place.
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


def boundary_half_edges(
    faces: np.ndarray | Column, vertex_count: int, boundary: np.ndarray | None = None
) -> np.ndarray:
    """Half-edges without a partner, (k, 2) int64 as (from, to) in the direction of their face, sorted by ``from``.

    ``faces`` as in :func:`touching`. ``boundary``, (b,) int: the result of :func:`boundary_vertices`, if the caller has
    it, or those of these vertices to which the search is restricted. Only faces with two corners in ``boundary`` are
    examined: they include both faces of every edge between two such vertices.
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
    between = open_at[low] & open_at[high]  # the second face of other edges is not among those examined
    low, high, backward = low[between], high[between], backward[between]
    half_edges = np.column_stack([np.where(backward, high, low), np.where(backward, low, high)])
    return half_edges[np.lexsort((half_edges[:, 1], half_edges[:, 0]))]


def defects(faces: np.ndarray, vertex_count: int) -> dict[str, int]:
    """Numbers of edges at which a mesh, ``faces`` (m, 3) int, is not an oriented manifold.

    ``edges_of_many_faces``: edges with more than two faces; ``edges_of_one_direction``: edges whose two faces pass them
    in the same direction, which means that one of the faces is flipped.
    """
    keys = directed_edges(faces, vertex_count)
    _, first, uses = np.unique(keys >> 1, return_index=True, return_counts=True)
    pairs = first[uses == 2]
    return {
        "edges_of_many_faces": int(np.count_nonzero(uses > 2)),
        "edges_of_one_direction": int(np.count_nonzero(keys[pairs] == keys[pairs + 1])),
    }


def loops(faces: np.ndarray | Column, vertex_count: int, boundary: np.ndarray | None = None) -> Loops:
    """All closed boundary loops of a mesh, in order of their lowest vertex.

    ``faces`` and ``boundary`` as in :func:`boundary_half_edges`. A part of a mesh that has all faces at the mesh's
    boundary vertices has the same loops as the mesh.

    Where sheets or holes touch in a vertex, a loop continues along the fan of faces that it arrived on, and never
    passes from one sheet to another. A loop that returns to a vertex is split there. Boundaries that do not close are
    omitted; they occur only at edges with three or more faces.
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
    """Set the ``successor`` of each half-edge that ends at a ``shared`` vertex to the next one of its fan, in place."""
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
    """Join all half-edges to loops; ``local`` (k,) numbers their starting vertices without gaps."""
    count = len(half_edges)
    vertices = np.empty(count, np.int64)
    start = [0]
    written = 0
    done = np.zeros(count, np.bool_)
    on_path = np.full(count + 1, -1, np.int64)  # index of a vertex on the path, -1 where it is not on it
    path = np.empty(count, np.int64)
    for seed in range(count):
        if done[seed]:
            continue
        length = 0
        at = seed
        while at >= 0 and not done[at]:
            done[at] = True
            if on_path[local[at]] >= 0:  # the path has returned to a vertex: the part between is a loop of its own
                back = on_path[local[at]]
                for k in range(back, length):
                    vertices[written] = half_edges[path[k], 0]
                    written += 1
                    on_path[local[path[k]]] = -1
                start.append(written)
                length = back
            on_path[local[at]] = length
            path[length] = at
            length += 1
            at = successor[at]
        closed = at >= 0 and length > 0 and half_edges[at, 0] == half_edges[path[0], 0]
        for k in range(length):
            if closed:
                vertices[written] = half_edges[path[k], 0]
                written += 1
            on_path[local[path[k]]] = -1
        if closed:
            start.append(written)
    return vertices[:written].copy(), np.array(start, dtype=np.int64)
