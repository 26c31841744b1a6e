"""One sweep of edge collapses over a triangle mesh."""

import numpy as np
from numba import njit

from nightbay.reduce.quadric import FREE, SIZE, FaceLists, Mesh, cost, is_line, move_origin

# Twice the area over the sum of the squared sides, 0.29 for an equilateral face: a thicker face gets no thinner than
# this. Common practice, no source.
LEAST_QUALITY = 0.03
LEAST_COSINE = 0.5  # between the normals of a face before and after: 60 degrees. Common practice, no source.
# Square of twice a face's area, mm4: the normal of a face this small, 0.01 mm wide, is rounding of float32.
SPECK = 1e-8


@njit(cache=True, nogil=True)
def sweep(mesh: Mesh, around: FaceLists, limit: float, most: int) -> tuple[int, bool]:
    """Collapse, in order of the faces, each edge that costs no more than ``limit``, mm2, until ``most`` faces are
    removed.

    The arrays of ``mesh`` and ``around`` are changed in place; removed faces have the vertices -1. The faces of a
    merged vertex are listed again behind all lists; it can be merged further while ``around.face`` has room. Returns
    the number of faces removed, and whether edges were skipped because room ran out.
    """
    vertices, kind, faces = mesh.vertices, mesh.kind, mesh.faces
    begin, end = around.begin, around.end
    used = end[-1]
    stamp = np.zeros(len(vertices), np.int32)
    position = np.empty(3)
    gone, mark, full = 0, 0, False
    for number in range(len(faces)):
        for k in range(3):
            a, b = faces[number, k], faces[number, (k + 1) % 3]
            if a < 0 or gone >= most:
                break
            if used + end[a] - begin[a] + end[b] - begin[b] > len(around.face):
                full = True
                continue
            line = (kind[a] != FREE and kind[b] != FREE) and is_line(mesh, around, a, b)
            if a > b and not line:
                continue
            if not cost(mesh, line, a, b, position) <= limit:
                continue
            mark += 2
            if not _keeps_topology(mesh, around, a, b, stamp, mark):
                continue
            if not (_keeps_shape(mesh, around, a, b, position) and _keeps_shape(mesh, around, b, a, position)):
                continue
            gone += _merge_faces(faces, around, a, b, used)
            used = end[a]
            _move_merged(mesh, a, b, position)
    return gone, full


@njit(cache=True, nogil=True)
def _keeps_shape(mesh, around, a, b, position):
    """Whether the faces of a that lack b stay upright and well shaped when a moves to ``position``."""
    vertices, faces = mesh.vertices, mesh.faces
    ax, ay, az = np.float64(vertices[a, 0]), np.float64(vertices[a, 1]), np.float64(vertices[a, 2])
    for at in range(around.begin[a], around.end[a]):
        face = around.face[at]
        i, j, k = faces[face, 0], faces[face, 1], faces[face, 2]
        if i < 0 or i == b or j == b or k == b:
            continue
        if i == a:
            i, j = j, k
        elif j == a:
            i, j = k, i
        px, py, pz = np.float64(vertices[i, 0]), np.float64(vertices[i, 1]), np.float64(vertices[i, 2])
        ex, ey, ez = vertices[j, 0] - px, vertices[j, 1] - py, vertices[j, 2] - pz
        ox, oy, oz = ax - px, ay - py, az - pz
        nx, ny, nz = position[0] - px, position[1] - py, position[2] - pz
        old_x, old_y, old_z = ey * oz - ez * oy, ez * ox - ex * oz, ex * oy - ey * ox
        new_x, new_y, new_z = ey * nz - ez * ny, ez * nx - ex * nz, ex * ny - ey * nx
        old2 = old_x * old_x + old_y * old_y + old_z * old_z
        new2 = new_x * new_x + new_y * new_y + new_z * new_z
        along = old_x * new_x + old_y * new_y + old_z * new_z
        if old2 > SPECK and (along < 0.0 or along * along < LEAST_COSINE * LEAST_COSINE * old2 * new2):
            return False
        base = ex * ex + ey * ey + ez * ez
        sides_old = 2 * (base + ox * ox + oy * oy + oz * oz - ex * ox - ey * oy - ez * oz)
        sides_new = 2 * (base + nx * nx + ny * ny + nz * nz - ex * nx - ey * ny - ez * nz)
        if new2 < (LEAST_QUALITY * sides_new) ** 2 and new2 * sides_old**2 < old2 * sides_new**2:
            return False
    return True


@njit(cache=True, nogil=True)
def _keeps_topology(mesh, around, a, b, stamp, mark):
    """Whether the collapse of a-b leaves a manifold, and no line and no labelled patch vanishes.

    This is the link condition: the only common neighbours of both ends are the third vertices of the faces between
    them. ``stamp``
    (n,) is written with ``mark`` and ``mark`` + 1, which are not in it yet.
    """
    faces, shared = mesh.faces, 0
    for at in range(around.begin[a], around.end[a]):
        face = around.face[at]
        if faces[face, 0] < 0:
            continue
        third, holds = -1, False
        for k in range(3):
            vertex = faces[face, k]
            stamp[vertex] = mark
            if vertex == b:
                holds = True
            elif vertex != a:
                third = vertex
        if holds:
            shared += 1
            if mesh.kind[third] != FREE and is_line(mesh, around, third, a) and is_line(mesh, around, third, b):
                return False
    stamp[a], stamp[b] = mark + 1, mark + 1
    common = 0
    for at in range(around.begin[b], around.end[b]):
        face = around.face[at]
        if faces[face, 0] < 0:
            continue
        for k in range(3):
            vertex = faces[face, k]
            if stamp[vertex] == mark:
                common += 1
                stamp[vertex] = mark + 1
    return common == shared


@njit(cache=True, nogil=True)
def _merge_faces(faces, around, a, b, to):
    """Replace b by a in b's faces, remove faces that have both, and list a's faces again from ``to`` on. Returns the
    number of faces removed."""
    gone, first = 0, to
    for at in range(around.begin[b], around.end[b]):
        face = around.face[at]
        if faces[face, 0] < 0:
            continue
        if faces[face, 0] == a or faces[face, 1] == a or faces[face, 2] == a:
            faces[face, 0] = faces[face, 1] = faces[face, 2] = -1
            gone += 1
            continue
        for k in range(3):
            if faces[face, k] == b:
                faces[face, k] = a
        around.face[to] = face
        to += 1
    for at in range(around.begin[a], around.end[a]):
        face = around.face[at]
        if faces[face, 0] >= 0:
            around.face[to] = face
            to += 1
    around.begin[a], around.end[a] = first, to
    return gone


@njit(cache=True, nogil=True)
def _move_merged(mesh, a, b, position):
    """Move a, which b was merged into, to ``position``; its quadric becomes the sum of both."""
    move_origin(mesh, a, position)
    move_origin(mesh, b, position)
    for at in range(SIZE):
        mesh.quadric[a, at] += mesh.quadric[b, at]
    for at in range(3):
        mesh.vertices[a, at] = position[at]
    mesh.kind[a] = max(mesh.kind[a], mesh.kind[b])


@njit(cache=True, nogil=True)
def compact(mesh: Mesh, number: np.ndarray) -> tuple[int, int]:
    """Move the remaining rows to the front of all arrays and of ``number`` (n,), in place; returns the numbers of faces
    and vertices."""
    faces = mesh.faces
    row = np.full(len(mesh.vertices), -1, np.int32)
    left, used = 0, 0
    for face in range(len(faces)):
        if faces[face, 0] < 0:
            continue
        mesh.label[left] = mesh.label[face]
        for k in range(3):
            faces[left, k] = faces[face, k]
            row[faces[face, k]] = 0
        left += 1
    for vertex in range(len(row)):
        if row[vertex] < 0:
            continue
        row[vertex] = used
        number[used] = number[vertex]
        mesh.kind[used] = mesh.kind[vertex]
        for k in range(3):
            mesh.vertices[used, k] = mesh.vertices[vertex, k]
        for k in range(SIZE):
            mesh.quadric[used, k] = mesh.quadric[vertex, k]
        used += 1
    for face in range(left):
        for k in range(3):
            faces[face, k] = row[faces[face, k]]
    return left, used


@njit(cache=True, nogil=True)
def costs(mesh: Mesh, every: int) -> np.ndarray:
    """Cost, mm2, of the first edge of one face in ``every``, where both its vertices are free, (k,)."""
    found, count, position = np.empty(len(mesh.faces) // every + 1), 0, np.empty(3)
    for face in range(0, len(mesh.faces), every):
        a, b = mesh.faces[face, 0], mesh.faces[face, 1]
        if mesh.kind[a] == FREE and mesh.kind[b] == FREE:
            found[count] = cost(mesh, False, a, b, position)
            count += 1
    return found[:count]
