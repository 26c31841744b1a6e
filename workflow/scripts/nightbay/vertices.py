"""What the faces around a vertex say of it: area of surface, normal."""

import numba
import numpy as np


def areas(surface, chosen=None):
    """Area that belongs to each vertex, (n,) float64 mm2: a third of its faces, all or those ``chosen``, (m,) bool."""
    chosen = np.ones(len(surface.faces), bool) if chosen is None else chosen
    return _areas(surface.vertices_mm, surface.faces, chosen)


def normals(surface):
    """Unit normal of each vertex, (n, 3) float32, from the faces around it by area; zero where it has none."""
    return _normals(surface.vertices_mm, surface.faces)


@numba.njit(cache=True)
def _areas(vertices, faces, chosen):
    found = np.zeros(len(vertices))
    for face in range(len(faces)):
        if chosen[face]:
            x, y, z = _area_vector(vertices, faces[face])
            for corner in range(3):
                found[faces[face, corner]] += np.sqrt(x * x + y * y + z * z) / 6.0
    return found


@numba.njit(cache=True)
def _normals(vertices, faces):
    found = np.zeros((len(vertices), 3))
    for face in range(len(faces)):
        x, y, z = _area_vector(vertices, faces[face])
        for corner in range(3):
            vertex = faces[face, corner]
            found[vertex, 0] += x
            found[vertex, 1] += y
            found[vertex, 2] += z
    unit = np.zeros((len(vertices), 3), np.float32)
    for vertex in range(len(vertices)):
        length = np.sqrt((found[vertex] ** 2).sum())
        if length > 0.0:
            for axis in range(3):
                unit[vertex, axis] = found[vertex, axis] / length
    return unit


@numba.njit(cache=True)
def _area_vector(vertices, face):
    """Twice the face's area along its normal, in float64."""
    ax, ay, az = np.float64(vertices[face[0], 0]), np.float64(vertices[face[0], 1]), np.float64(vertices[face[0], 2])
    ux, uy, uz = vertices[face[1], 0] - ax, vertices[face[1], 1] - ay, vertices[face[1], 2] - az
    vx, vy, vz = vertices[face[2], 0] - ax, vertices[face[2], 1] - ay, vertices[face[2], 2] - az
    return uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
