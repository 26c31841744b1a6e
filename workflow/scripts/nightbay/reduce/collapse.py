"""One sweep of edge collapses over a triangle mesh, and what it stands on: the faces round each vertex."""

import numpy as np
from numba import njit

from nightbay.reduce.quadric import FREE, SIZE, cost, is_line, move

LEAST_QUALITY = 0.03  # twice the area by the sides' squares, 0.29 for an equilateral face: no thinner from a thicker
LEAST_COSINE = 0.5  # between the normals of a face before and after: 60 degrees
SPECK = 1e-8  # square of twice a face's area, mm4: of one so small, 0.01 mm wide, rounding of float32 makes the normal


@njit(cache=True, nogil=True)
def _sound(vertices, faces, of, begin, end, a, b, place):
    """Whether the faces of a that lack b stay upright and well shaped when a moves to ``place``."""
    ax, ay, az = np.float64(vertices[a, 0]), np.float64(vertices[a, 1]), np.float64(vertices[a, 2])
    for at in range(begin[a], end[a]):
        face = of[at]
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
        nx, ny, nz = place[0] - px, place[1] - py, place[2] - pz
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
def _linked(faces, label, of, begin, end, kind, a, b, stamp, mark):
    """Whether the collapse of a-b leaves a manifold, and no line and no labelled patch vanishes."""
    shared = 0
    for at in range(begin[a], end[a]):
        face = of[at]
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
            if (
                kind[third] != FREE
                and is_line(faces, label, of, begin, end, third, a)
                and is_line(faces, label, of, begin, end, third, b)
            ):
                return False
    stamp[a], stamp[b] = mark + 1, mark + 1
    common = 0
    for at in range(begin[b], end[b]):
        face = of[at]
        if faces[face, 0] < 0:
            continue
        for k in range(3):
            vertex = faces[face, k]
            if stamp[vertex] == mark:
                common += 1
                stamp[vertex] = mark + 1
    return common == shared


@njit(cache=True, nogil=True)
def sweep(vertices, quadric, kind, faces, label, start, of, limit, most):
    """Collapse, in order of the faces, each edge that costs no more than ``limit``, mm2, until ``most`` faces are gone.

    All arrays are changed in place; faces that are gone have the vertices -1. A vertex that took another in has its
    faces listed anew behind all lists, and may go on, while ``of`` has room. Returns the number of faces gone, and
    whether edges were left alone for want of room.
    """
    used = start[-1]
    begin, end = start[:-1], start[1:].copy()
    stamp = np.zeros(len(vertices), np.int32)
    place = np.empty(3)
    gone, mark, cut = 0, 0, False
    for number in range(len(faces)):
        for k in range(3):
            a, b = faces[number, k], faces[number, (k + 1) % 3]
            if a < 0 or gone >= most:
                break
            if used + end[a] - begin[a] + end[b] - begin[b] > len(of):
                cut = True
                continue
            line = (kind[a] != FREE and kind[b] != FREE) and is_line(faces, label, of, begin, end, a, b)
            if a > b and not line:
                continue
            if not cost(vertices, quadric, kind, line, a, b, place) <= limit:
                continue
            mark += 2
            if not _linked(faces, label, of, begin, end, kind, a, b, stamp, mark):
                continue
            if not _sound(vertices, faces, of, begin, end, a, b, place):
                continue
            if not _sound(vertices, faces, of, begin, end, b, a, place):
                continue
            gone += _merge(faces, of, begin, end, a, b, used)
            used = end[a]
            move(vertices, quadric, a, place)
            move(vertices, quadric, b, place)
            for at in range(SIZE):
                quadric[a, at] += quadric[b, at]
            for at in range(3):
                vertices[a, at] = place[at]
            kind[a] = max(kind[a], kind[b])
    return gone, cut


@njit(cache=True, nogil=True)
def _merge(faces, of, begin, end, a, b, to):
    """Let a stand for b in b's faces; those that have both are gone. Returns how many."""
    gone, first = 0, to
    for at in range(begin[b], end[b]):
        face = of[at]
        if faces[face, 0] < 0:
            continue
        if faces[face, 0] == a or faces[face, 1] == a or faces[face, 2] == a:
            faces[face, 0] = faces[face, 1] = faces[face, 2] = -1
            gone += 1
            continue
        for k in range(3):
            if faces[face, k] == b:
                faces[face, k] = a
        of[to] = face
        to += 1
    for at in range(begin[a], end[a]):
        face = of[at]
        if faces[face, 0] >= 0:
            of[to] = face
            to += 1
    begin[a], end[a] = first, to
    return gone


@njit(cache=True, nogil=True)
def compact(vertices, quadric, kind, number, faces, label):
    """Move what is left to the front of all arrays, in place; returns how many faces and vertices that is."""
    row = np.full(len(vertices), -1, np.int32)
    left, used = 0, 0
    for face in range(len(faces)):
        if faces[face, 0] < 0:
            continue
        label[left] = label[face]
        for k in range(3):
            faces[left, k] = faces[face, k]
            row[faces[face, k]] = 0
        left += 1
    for vertex in range(len(row)):
        if row[vertex] < 0:
            continue
        row[vertex] = used
        number[used] = number[vertex]
        kind[used] = kind[vertex]
        for k in range(3):
            vertices[used, k] = vertices[vertex, k]
        for k in range(SIZE):
            quadric[used, k] = quadric[vertex, k]
        used += 1
    for face in range(left):
        for k in range(3):
            faces[face, k] = row[faces[face, k]]
    return left, used


@njit(cache=True, nogil=True)
def costs(vertices, quadric, kind, faces):
    """Cost, mm2, of the first edge of each of ``faces``, where both its vertices are free."""
    found, count, place = np.empty(len(faces)), 0, np.empty(3)
    for face in range(len(faces)):
        a, b = faces[face, 0], faces[face, 1]
        if kind[a] == FREE and kind[b] == FREE:
            found[count] = cost(vertices, quadric, kind, False, a, b, place)
            count += 1
    return found[:count]
