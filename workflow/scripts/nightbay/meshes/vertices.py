"""Areas and normals at the vertices of a surface. Its faces may lie on disk; they are read block by block."""

import numba
import numpy as np

from nightbay.meshes.surface import Surface, block, spans


def areas(surface: Surface) -> np.ndarray:
    """Area of measured surface that belongs to each vertex, (n,) float64 mm2: a third of each face that is not filled.

    The vertices of ``surface`` are in memory; its other columns may be :class:`~nightbay.meshes.surface.Column`.
    """
    found = np.zeros(len(surface.vertices_mm))
    columns = {"faces": surface.faces} | surface.face
    for rows in spans(len(surface.faces)):
        some = block(columns, rows)
        filled = some.get("filled", np.zeros(len(some["faces"]), np.uint8))
        _add_areas(found, surface.vertices_mm, np.ascontiguousarray(some["faces"]), filled)
    return found


def used(surface: Surface) -> np.ndarray:
    """Whether each vertex belongs to a face, (n,) bool. ``surface`` as in :func:`areas`."""
    found = np.zeros(len(surface.vertices_mm), bool)
    for rows in spans(len(surface.faces)):
        found[surface.faces[rows]] = True
    return found


def normals(surface: Surface, rows: np.ndarray) -> np.ndarray:
    """Unit normals, (k, 3) float32, of the vertices ``rows``, (k,) int without repetition.

    A normal is the mean of those of the faces around the vertex, weighted by area, and zero where there are none.
    ``surface`` as in :func:`areas`.
    """
    slot = np.full(len(surface.vertices_mm), -1, np.int32)
    slot[rows] = np.arange(len(rows), dtype=np.int32)
    found = np.zeros((len(rows), 3))
    for some in spans(len(surface.faces)):
        _add_normals(found, slot, surface.vertices_mm, surface.faces[some])
    length = np.linalg.norm(found, axis=1, keepdims=True)
    return np.divide(found, length, out=np.zeros_like(found), where=length > 0.0).astype(np.float32)


def normals_of_all(vertices_mm: np.ndarray, faces: np.ndarray) -> np.ndarray:
    """Unit normals, (n, 3) float64, of all ``vertices_mm``, (n, 3), of a mesh with ``faces``, (m, 3) int.

    A normal is the mean of those of the faces around the vertex, weighted by area, and zero where there are none.
    """
    normals = _area_normals(vertices_mm, faces)
    length = np.linalg.norm(normals, axis=1, keepdims=True)
    return np.divide(normals, length, out=normals, where=length > 0)


def bounds(vertices_mm: np.ndarray, areas: np.ndarray) -> np.ndarray | None:
    """Low and high corner, (2, 3) float32 mm, of the ``vertices_mm``, (n, 3), whose entry of ``areas``, (n,), is
    positive; None if there is no such vertex."""
    found = _bounds(vertices_mm, areas)
    return found if found[0, 0] <= found[1, 0] else None


@numba.njit(cache=True)
def _bounds(vertices, areas):
    found = np.empty((2, 3), np.float32)
    found[0], found[1] = np.inf, -np.inf
    for vertex in range(len(areas)):
        if areas[vertex] > 0.0:
            for axis in range(3):
                found[0, axis] = min(found[0, axis], vertices[vertex, axis])
                found[1, axis] = max(found[1, axis], vertices[vertex, axis])
    return found


@numba.njit(cache=True)
def _add_areas(found, vertices, faces, filled):
    for face in range(len(faces)):
        if filled[face] == 0:
            x, y, z = _area_vector(vertices, faces[face])
            for corner in range(3):
                found[faces[face, corner]] += np.sqrt(x * x + y * y + z * z) / 6.0


@numba.njit(cache=True)
def _add_normals(found, slot, vertices, faces):
    for face in range(len(faces)):
        a, b, c = slot[faces[face, 0]], slot[faces[face, 1]], slot[faces[face, 2]]
        if a < 0 and b < 0 and c < 0:
            continue
        x, y, z = _area_vector(vertices, faces[face])
        for at in (a, b, c):
            if at >= 0:
                found[at, 0] += x
                found[at, 1] += y
                found[at, 2] += z


@numba.njit(cache=True)
def _area_normals(vertices_mm, faces):
    """Sum of the area vectors of the faces at each vertex, (n, 3), a face at a time: only the sums take memory."""
    normals = np.zeros((len(vertices_mm), 3))
    for i, j, k in faces:
        x, y, z = np.float64(vertices_mm[i, 0]), np.float64(vertices_mm[i, 1]), np.float64(vertices_mm[i, 2])
        ux, uy, uz = vertices_mm[j, 0] - x, vertices_mm[j, 1] - y, vertices_mm[j, 2] - z
        vx, vy, vz = vertices_mm[k, 0] - x, vertices_mm[k, 1] - y, vertices_mm[k, 2] - z
        across = (uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx)
        for vertex in (i, j, k):
            for axis in range(3):
                normals[vertex, axis] += across[axis]
    return normals


@numba.njit(cache=True)
def _area_vector(vertices, face):
    """Twice the face's area along its normal, in float64."""
    ax, ay, az = np.float64(vertices[face[0], 0]), np.float64(vertices[face[0], 1]), np.float64(vertices[face[0], 2])
    ux, uy, uz = vertices[face[1], 0] - ax, vertices[face[1], 1] - ay, vertices[face[1], 2] - az
    vx, vy, vz = vertices[face[2], 0] - ax, vertices[face[2], 1] - ay, vertices[face[2], 2] - az
    return uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
