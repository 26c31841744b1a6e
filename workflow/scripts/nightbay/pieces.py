"""The connected pieces of a surface."""

import numba
import numpy as np


def label(faces, count):
    """Piece of each of ``count`` vertices, (count,) int32: the lowest number of a vertex in it; ``faces`` (m, 3)."""
    return _label(np.ascontiguousarray(faces, np.int32), count)


@numba.njit(cache=True)
def _label(faces, count):
    parent = np.arange(count).astype(np.int32)
    for face in range(len(faces)):
        first = _root(parent, faces[face, 0])
        for corner in range(1, 3):
            other = _root(parent, faces[face, corner])
            if other < first:
                parent[first] = other
                first = other
            elif first < other:
                parent[other] = first
    for vertex in range(count):
        parent[vertex] = _root(parent, vertex)
    return parent


@numba.njit(cache=True)
def _root(parent, vertex):
    while parent[vertex] != vertex:
        parent[vertex] = parent[parent[vertex]]
        vertex = parent[vertex]
    return vertex


def loose(faces, areas, least_mm2):
    """Vertices, (n,) bool, of pieces whose ``areas``, (n,) mm2 a vertex, add up to less than ``least_mm2``."""
    piece = label(faces, len(areas))
    return np.bincount(piece, areas, len(areas))[piece] < least_mm2
