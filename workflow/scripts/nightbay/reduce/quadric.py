"""Quadrics of a mesh's vertices: how far a place is from all the planes that a vertex stands for.

A quadric holds the squared distance to planes, weighted by area (M. Garland, P. Heckbert, "Surface simplification using
quadric error metrics", SIGGRAPH 1997), so that its value divided by the weight is a mean squared distance in mm2. Lines
that must stay, the boundary and the seams between measured and filled faces, have planes through them that stand on the
surface.

Each is held about its own vertex: xx xy xz yy yz zz x y z 1 and the weight, eleven numbers. So near to it float32 is
enough: values far below a mm2 are not differences of large ones.
"""

import numpy as np
from numba import njit

from nightbay.meshes import topology

# Classes of vertices: on no line, on one, where lines meet or end; and held, which no other is merged with. In a part
# of a mesh those are the ones that others share: merged with one, a vertex could get an edge that is there already.
FREE, LINE, FIXED, HELD = 0, 2, 3, 4
SIZE = 11
STRETCH = 1e-3  # an edge of length l costs (l / 1000)**2: flat areas get even faces, and none longer than that allows
HOLD = 1e-3  # pull to the middle of the edge, share of the quadric's trace, that counts only where planes leave it open


def of_run(vertices, faces, label):
    """Quadric of the faces' planes, (n, 11) float32, and class, (n,) uint8, of each vertex of some of a mesh's faces:
    those that no ring of them with one label encloses are held."""
    return _of_faces(vertices, faces), np.where(topology.balance(faces, label, len(vertices)), HELD, FREE).astype("u1")


def add_lines(vertices, faces, label, start, of, quadric):
    """Add the planes along lines to the vertices' quadrics, in place; returns their classes, (n,) uint8.

    ``start`` and ``of`` as from :func:`nightbay.reduce.collapse.incidence`.
    """
    kind = _classes(faces, label, start, of, topology.balance(faces, label, len(vertices)))
    _add_lines(vertices, faces, label, start, of, kind, quadric)
    return kind


@njit(cache=True, nogil=True)
def _of_faces(vertices, faces):
    """Quadrics of the faces' planes."""
    quadric = np.zeros((len(vertices), SIZE), np.float32)
    for face in range(len(faces)):
        a, b, c = faces[face, 0], faces[face, 1], faces[face, 2]
        x, y, z = np.float64(vertices[a, 0]), np.float64(vertices[a, 1]), np.float64(vertices[a, 2])
        ux, uy, uz = vertices[b, 0] - x, vertices[b, 1] - y, vertices[b, 2] - z
        vx, vy, vz = vertices[c, 0] - x, vertices[c, 1] - y, vertices[c, 2] - z
        nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        double = np.sqrt(nx * nx + ny * ny + nz * nz)
        if double > 0.0:
            for vertex in (a, b, c):
                _add_plane(quadric[vertex], nx, ny, nz, double, double / 2)
    return quadric


@njit(cache=True, nogil=True)
def _classes(faces, label, start, of, balance):
    """Class of each vertex, (n,) uint8: by how many lines end in it, counted where its faces close no ring."""
    kind = np.zeros(len(balance), np.uint8)
    for vertex in range(len(balance)):
        if balance[vertex] == 0:
            continue
        lines = 0
        for at in range(start[vertex], start[vertex + 1]):
            for k in range(3):
                other = faces[of[at], k]
                if other != vertex and is_line(faces, label, of, start, start[1:], vertex, other):
                    lines += 12 // _uses(faces, of, start, start[1:], vertex, other)  # each edge is met so many times
        kind[vertex] = FREE if lines == 0 else LINE if lines == 24 else FIXED
    return kind


@njit(cache=True, nogil=True)
def _uses(faces, of, begin, end, a, b):
    """How many faces the edge a-b bears."""
    count = 0
    for at in range(begin[a], end[a]):
        face = of[at]
        count += faces[face, 0] == b or faces[face, 1] == b or faces[face, 2] == b
    return count


@njit(cache=True, nogil=True)
def is_line(faces, label, of, begin, end, a, b):
    """Whether the edge a-b is a boundary, or a seam of faces with different labels; vertices of faces gone are -1."""
    count, first = 0, 0
    for at in range(begin[a], end[a]):
        face = of[at]
        if faces[face, 0] == b or faces[face, 1] == b or faces[face, 2] == b:
            if count > 0 and label[face] != first:
                return True
            first = label[face]
            count += 1
    return count == 1


@njit(cache=True, nogil=True)
def _add_lines(vertices, faces, label, start, of, kind, quadric):
    """Add the planes along lines that stand on the faces beside them; each weighs the square of its edge."""
    for face in range(len(faces)):
        for k in range(3):
            a, b, c = faces[face, k], faces[face, (k + 1) % 3], faces[face, (k + 2) % 3]
            if kind[a] == FREE or kind[b] == FREE or not is_line(faces, label, of, start, start[1:], a, b):
                continue
            along, to_third = vertices[b] - vertices[a], vertices[c] - vertices[a]
            across = to_third - along * ((along * to_third).sum() / max((along * along).sum(), np.float32(1e-12)))
            length, square = np.sqrt((across * across).sum()), (along * along).sum()
            if length > 0.0:
                for vertex in (a, b):
                    _add_plane(quadric[vertex], across[0], across[1], across[2], length, square)


@njit(cache=True, nogil=True)
def _add_plane(row, x, y, z, length, weight):
    share = weight / (length * length)
    row[0] += share * x * x
    row[1] += share * x * y
    row[2] += share * x * z
    row[3] += share * y * y
    row[4] += share * y * z
    row[5] += share * z * z
    row[10] += weight


@njit(cache=True, nogil=True)
def cost(vertices, quadric, kind, line, a, b, place):
    """Cost in mm2 of the collapse of a-b and, in ``place``, where the vertex goes; infinite where it may not be."""
    if kind[a] == HELD or kind[b] == HELD or kind[a] == FIXED and kind[b] == FIXED:
        return np.inf
    if kind[a] != FREE and kind[b] != FREE and not line:
        return np.inf
    x, y, z = (
        0.5 * (np.float64(vertices[b, 0]) - vertices[a, 0]),
        0.5 * (np.float64(vertices[b, 1]) - vertices[a, 1]),
        0.5 * (np.float64(vertices[b, 2]) - vertices[a, 2]),
    )
    square = 4.0 * (x * x + y * y + z * z)
    p, q = quadric[a], quadric[b]
    # both about the middle of the edge: half the edge on from a, half back from b
    xx, xy, xz = np.float64(p[0]) + q[0], np.float64(p[1]) + q[1], np.float64(p[2]) + q[2]
    yy, yz, zz = np.float64(p[3]) + q[3], np.float64(p[4]) + q[4], np.float64(p[5]) + q[5]
    dxx, dxy, dxz = np.float64(p[0]) - q[0], np.float64(p[1]) - q[1], np.float64(p[2]) - q[2]
    dyy, dyz, dzz = np.float64(p[3]) - q[3], np.float64(p[4]) - q[4], np.float64(p[5]) - q[5]
    lx = dxx * x + dxy * y + dxz * z + p[6] + q[6]
    ly = dxy * x + dyy * y + dyz * z + p[7] + q[7]
    lz = dxz * x + dyz * y + dzz * z + p[8] + q[8]
    one = (
        np.float64(p[9])
        + q[9]
        + x * (xx * x + 2 * (xy * y + xz * z) + 2 * (np.float64(p[6]) - q[6]))
        + y * (yy * y + 2 * yz * z + 2 * (np.float64(p[7]) - q[7]))
        + z * (zz * z + 2 * (np.float64(p[8]) - q[8]))
    )
    if kind[a] == kind[b]:
        hold = HOLD * (xx + yy + zz) + 1e-12
        d, e, f = xx + hold, yy + hold, zz + hold
        i, j, k = e * f - yz * yz, xz * yz - xy * f, xy * yz - xz * e
        by = -1.0 / (d * i + xy * j + xz * k)
        ox = by * (i * lx + j * ly + k * lz)
        oy = by * (j * lx + (d * f - xz * xz) * ly + (xy * xz - d * yz) * lz)
        oz = by * (k * lx + (xy * xz - d * yz) * ly + (d * e - xy * xy) * lz)
        if ox * ox + oy * oy + oz * oz > square:
            ox, oy, oz = 0.0, 0.0, 0.0
    elif kind[a] > kind[b]:
        ox, oy, oz = -x, -y, -z
    else:
        ox, oy, oz = x, y, z
    value = (
        ox * (xx * ox + 2 * (xy * oy + xz * oz + lx)) + oy * (yy * oy + 2 * (yz * oz + ly)) + oz * (zz * oz + 2 * lz)
    ) + one
    place[0] = vertices[a, 0] + x + ox
    place[1] = vertices[a, 1] + y + oy
    place[2] = vertices[a, 2] + z + oz
    weight = np.float64(p[10]) + q[10]
    # faces without area have no plane, and no weight: only the edge's length counts
    return (max(value, 0.0) / weight if weight > 0.0 else 0.0) + STRETCH * STRETCH * square


@njit(cache=True, nogil=True)
def move(vertices, quadric, vertex, place):
    """Take the quadric of a vertex over to another place, where it is added up with others; the vertex stays."""
    q = quadric[vertex]
    x, y, z = (
        np.float64(place[0]) - vertices[vertex, 0],
        np.float64(place[1]) - vertices[vertex, 1],
        np.float64(place[2]) - vertices[vertex, 2],
    )
    lx = q[6] + q[0] * x + q[1] * y + q[2] * z
    ly = q[7] + q[1] * x + q[3] * y + q[4] * z
    lz = q[8] + q[2] * x + q[4] * y + q[5] * z
    q[9] = max(q[9] + x * (q[6] + lx) + y * (q[7] + ly) + z * (q[8] + lz), 0.0)
    q[6], q[7], q[8] = lx, ly, lz
