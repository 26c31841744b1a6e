"""One surface of the patches of all tiles: vertices by name, quads cut into triangles, specks taken away."""

import numpy as np
from numba import njit

from nightbay import topology
from nightbay.surface import Surface, keep_faces

SAME = 0.02  # difference of mean cosines that noise and small curvature make


def resolve(keys, quads, foreign_keys):
    """Quads with rows into one list of vertices.

    Per tile, in ascending order of tiles: ``keys`` (n,) int64, names of its vertices, ascending over all tiles;
    ``quads`` (m, 4) int32 as in :class:`nightbay.extract.Patch`, a list that is emptied on the way; ``foreign_keys``
    (f,) int64, full names.
    """
    every = np.concatenate(keys)
    first = np.cumsum([0, *(len(one) for one in keys)])
    resolved = np.empty((sum(len(quad) for quad in quads), 4), np.int32)
    at = 0
    for number in range(len(quads)):
        quad, quads[number] = quads[number], None
        rows = np.searchsorted(every, foreign_keys[number])
        if len(rows) and not np.array_equal(every[np.minimum(rows, len(every) - 1)], foreign_keys[number]):
            raise RuntimeError("a tile names a vertex that its neighbour does not have")
        table = np.concatenate([rows[::-1], np.arange(len(keys[number])) + first[number]]).astype(np.int32)
        resolved[at : at + len(quad)] = table[quad + len(rows)]
        at += len(quad)
    return resolved


@njit(cache=True)
def part(vertices, quads, least_mm):
    """Move vertices apart, in place, that lie nearer together than ``least_mm`` along a side of a quad: the later one
    goes five times as far towards the middle of the quad. Returns how many were moved."""
    moved = 0
    way = np.empty(3)
    for i in range(len(quads)):
        for k in range(4):
            p, q = quads[i, k], quads[i, (k + 1) % 4]
            apart = 0.0
            for m in range(3):
                apart += (np.float64(vertices[p, m]) - vertices[q, m]) ** 2
            if apart >= least_mm * least_mm:
                continue
            q = max(p, q)
            for m in range(3):
                way[m] = -4.0 * vertices[q, m]
                for corner in range(4):
                    way[m] += vertices[quads[i, corner], m]
            length = np.sqrt((way * way).sum())
            for m in range(3):
                vertices[q, m] += way[m] / max(length, least_mm) * 5 * least_mm
            moved += 1
    return moved


@njit(cache=True)
def _fit(vertices, normals, a, b, c, d):
    """How well the two triangles abc and acd lie along the normals of their vertices: mean cosine, -1..1, and the
    squared length of their diagonal. Vertices on creases have no normal and no say; a triangle of no area fits not at
    all."""
    total, heard, length = 0.0, 0, 0.0
    u, v, g = np.empty(3), np.empty(3), np.empty(3)
    for k in range(3):
        length += (np.float64(vertices[c, k]) - vertices[a, k]) ** 2
    for p, q, r in ((a, b, c), (a, c, d)):
        for k in range(3):
            u[k] = np.float64(vertices[q, k]) - vertices[p, k]
            v[k] = np.float64(vertices[r, k]) - vertices[p, k]
        g[0], g[1], g[2] = u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]
        area = np.sqrt((g * g).sum())
        for corner in (p, q, r):
            n = normals[corner]
            if n[0] == 0 and n[1] == 0 and n[2] == 0:
                continue
            heard += 1
            total += (g[0] * n[0] + g[1] * n[1] + g[2] * n[2]) / (127 * area) if area > 0 else -1.0
    return (total / heard if heard else 0.0), length


@njit(cache=True)
def triangles(vertices, normals, quads):
    """Faces (2 n, 3) int32 of quads (n, 4), each cut along the diagonal that lies better along the vertices'
    ``normals``, (m, 3) int8 of length 127 or zero; along the shorter one where that makes no odds (``SAME``)."""
    faces = np.empty((2 * len(quads), 3), np.int32)
    for i in range(len(quads)):
        a, b, c, d = quads[i, 0], quads[i, 1], quads[i, 2], quads[i, 3]
        along, long = _fit(vertices, normals, a, b, c, d)
        across, short = _fit(vertices, normals, b, c, d, a)
        if across > along + SAME or (across >= along - SAME and short < long):
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


@njit(cache=True)
def _piece_areas(vertices, faces, piece):
    """Area of every piece, (n,) float64, at its smallest vertex row."""
    area = np.zeros(len(vertices))
    u, v = np.empty(3), np.empty(3)
    for i in range(len(faces)):
        for k in range(3):
            u[k] = np.float64(vertices[faces[i, 1], k]) - vertices[faces[i, 0], k]
            v[k] = np.float64(vertices[faces[i, 2], k]) - vertices[faces[i, 0], k]
        x, y, z = u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]
        area[piece[faces[i, 0]]] += 0.5 * np.sqrt(x * x + y * y + z * z)
    return area


def without_specks(surface: Surface, least_area_mm2):
    """``(Surface, n, area_mm2)``: the surface without its n pieces smaller than ``least_area_mm2``, and their area."""
    piece = _components(len(surface.vertices_mm), surface.faces)
    area = _piece_areas(surface.vertices_mm, surface.faces, piece)
    speck = (area > 0) & (area < least_area_mm2)
    gone = int(speck.sum()), float(area[speck].sum())
    del area
    return keep_faces(surface, topology.marked_corners(surface.faces, speck[piece]) == 0), *gone
