"""One surface of the patches of all tiles: vertices by name, quads cut into triangles, specks taken away."""

import numpy as np
from numba import njit

from nightbay.surface import Surface, face_normals, keep_faces


def resolve(keys, quads, foreign_keys):
    """Quads with rows into one list of vertices.

    Per tile, in ascending order of tiles: ``keys`` (n,) int64, names of its vertices, ascending over all tiles;
    ``quads`` (m, 4) int32 as in :class:`nightbay.extract.Patch`; ``foreign_keys`` (f,) int64, full names.
    """
    every = np.concatenate(keys)
    first = np.cumsum([0, *(len(one) for one in keys)])
    resolved = []
    for number, quad in enumerate(quads):
        rows = np.searchsorted(every, foreign_keys[number])
        if len(rows) and not np.array_equal(every[np.minimum(rows, len(every) - 1)], foreign_keys[number]):
            raise RuntimeError("a tile names a vertex that its neighbour does not have")
        table = np.concatenate([rows[::-1], np.arange(len(keys[number])) + first[number]]).astype(np.int32)
        resolved.append(table[quad + len(rows)])
    return np.concatenate(resolved)


@njit(cache=True)
def triangles(vertices, quads):
    """Faces (2 n, 3) int32 of quads (n, 4), each cut along its shorter diagonal."""
    faces = np.empty((2 * len(quads), 3), np.int32)
    for i in range(len(quads)):
        a, b, c, d = quads[i, 0], quads[i, 1], quads[i, 2], quads[i, 3]
        ac, bd = 0.0, 0.0
        for k in range(3):
            ac += (np.float64(vertices[a, k]) - vertices[c, k]) ** 2
            bd += (np.float64(vertices[b, k]) - vertices[d, k]) ** 2
        if bd < ac:
            a, b, c, d = b, c, d, a
        faces[2 * i, 0], faces[2 * i, 1], faces[2 * i, 2] = a, b, c
        faces[2 * i + 1, 0], faces[2 * i + 1, 1], faces[2 * i + 1, 2] = a, c, d
    return faces


@njit(cache=True)
def _components(count, faces):
    """Number of the piece of every vertex: the smallest vertex row in it."""
    parent = np.arange(count).astype(np.int32)
    for i in range(len(faces)):
        for k in range(2):
            a, b = faces[i, k], faces[i, k + 1]
            while parent[a] != a:
                parent[a] = parent[parent[a]]
                a = parent[a]
            while parent[b] != b:
                parent[b] = parent[parent[b]]
                b = parent[b]
            if a < b:
                parent[b] = a
            else:
                parent[a] = b
    for v in range(count):
        parent[v] = parent[parent[v]]
    return parent


def without_specks(surface: Surface, least_area_mm2):
    """``(Surface, n, area_mm2)``: the surface without its n pieces smaller than ``least_area_mm2``, and their area."""
    piece = _components(len(surface.vertices_mm), surface.faces)[surface.faces[:, 0]]
    area = np.bincount(piece, np.linalg.norm(face_normals(surface), axis=1) / 2, minlength=len(surface.vertices_mm))
    speck = (area > 0) & (area < least_area_mm2)
    return keep_faces(surface, ~speck[piece]), int(speck.sum()), float(area[speck].sum())
