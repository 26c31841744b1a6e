"""The kernels of decimate: quadrics, vertex classes, and one sweep of edge collapses over a triangle mesh.

A quadric holds the squared distance to all planes that a vertex stands for, weighted by area (M. Garland, P. Heckbert,
"Surface simplification using quadric error metrics", SIGGRAPH 1997), so that its value divided by the weight is a mean
squared distance in mm2. Lines that must stay, the boundary and the seams between measured and filled faces, have planes
through them that stand on the surface.
"""

import numpy as np
from numba import njit

FREE, LINE, FIXED = 0, 2, 3  # classes of vertices: on no line, on one, or where lines meet or end
LEAST_QUALITY = 0.03  # twice the area by the sides' squares, 0.29 for an equilateral face: no thinner from a thicker
LEAST_COSINE = 0.5  # between the normals of a face before and after: 60 degrees


@njit(cache=True)
def incidence(faces, count):
    """Faces of each vertex: ``of[start[v]:start[v + 1]]``."""
    start = np.zeros(count + 1, np.int64)
    for face in range(len(faces)):
        for k in range(3):
            start[faces[face, k] + 1] += 1
    for vertex in range(count):
        start[vertex + 1] += start[vertex]
    fill = start[:-1].copy()
    of = np.empty(3 * len(faces), np.int32)
    for face in range(len(faces)):
        for k in range(3):
            vertex = faces[face, k]
            of[fill[vertex]] = face
            fill[vertex] += 1
    return start, of


@njit(cache=True)
def is_line(faces, label, start, of, a, b):
    """Whether the edge a-b is a boundary, or a seam of faces with different labels."""
    uses, first = 0, 0
    for at in range(start[a], start[a + 1]):
        face = of[at]
        if faces[face, 0] == b or faces[face, 1] == b or faces[face, 2] == b:
            if uses == 1 and label[face] != first:
                return True
            first = label[face]
            uses += 1
    return uses == 1


@njit(cache=True)
def classes(faces, label, start, of):
    """Class of each vertex, (n,) uint8."""
    lines = np.zeros(len(start) - 1, np.int32)
    for face in range(len(faces)):
        for k in range(3):
            a, b = faces[face, k], faces[face, (k + 1) % 3]
            single = not _runs_along(faces, start, of, b, a)
            if (a < b or single) and is_line(faces, label, start, of, a, b):
                lines[a] += 1
                lines[b] += 1
    found = np.empty(len(lines), np.uint8)
    for vertex in range(len(lines)):
        found[vertex] = FREE if lines[vertex] == 0 else LINE if lines[vertex] == 2 else FIXED
    return found


@njit(cache=True)
def _runs_along(faces, start, of, a, b):
    """Whether some face has the half-edge from a to b."""
    for at in range(start[a], start[a + 1]):
        face = of[at]
        for k in range(3):
            if faces[face, k] == a and faces[face, (k + 1) % 3] == b:
                return True
    return False


@njit(cache=True)
def quadrics(vertices, faces, label, start, of):
    """Quadric, (n, 10) as xx xy xz yy yz zz x y z 1, and weight, (n,) mm2, of each vertex."""
    quadric, weight = np.zeros((len(vertices), 10)), np.zeros(len(vertices))
    for face in range(len(faces)):
        a, b, c = faces[face, 0], faces[face, 1], faces[face, 2]
        normal = np.cross(vertices[b] - vertices[a], vertices[c] - vertices[a])
        double = np.sqrt(normal @ normal)
        if double == 0.0:
            continue
        normal /= double
        for vertex in (a, b, c):
            _add(quadric, weight, vertex, normal, vertices[a], double / 2)
        for k in range(3):
            p, q = faces[face, k], faces[face, (k + 1) % 3]
            if is_line(faces, label, start, of, p, q):
                along = vertices[q] - vertices[p]
                across = np.cross(along, normal)
                length = np.sqrt(across @ across)
                if length > 0.0:
                    _add(quadric, weight, p, across / length, vertices[p], length * length)
                    _add(quadric, weight, q, across / length, vertices[p], length * length)
    return quadric, weight


@njit(cache=True)
def _add(quadric, weight, vertex, normal, point, area):
    d = -(normal @ point)
    x, y, z = normal
    row = quadric[vertex]
    row[0] += area * x * x
    row[1] += area * x * y
    row[2] += area * x * z
    row[3] += area * y * y
    row[4] += area * y * z
    row[5] += area * z * z
    row[6] += area * x * d
    row[7] += area * y * d
    row[8] += area * z * d
    row[9] += area * d * d
    weight[vertex] += area


@njit(cache=True)
def _value(q, x, y, z):
    """A quadric at a point."""
    return (
        x * (q[0] * x + 2 * (q[1] * y + q[2] * z + q[6]))
        + y * (q[3] * y + 2 * (q[4] * z + q[7]))
        + z * (q[5] * z + 2 * q[8])
        + q[9]
    )


@njit(cache=True)
def _best(q, middle, place):
    """Write the point of least value into ``place``; where planes leave it open, the one nearest to ``middle``."""
    hold = 1e-3 * (q[0] + q[3] + q[5]) + 1e-12
    a, b, c, d, e, f = q[0] + hold, q[1], q[2], q[3] + hold, q[4], q[5] + hold
    x, y, z = hold * middle[0] - q[6], hold * middle[1] - q[7], hold * middle[2] - q[8]
    i, j, k = d * f - e * e, c * e - b * f, b * e - c * d
    determinant = a * i + b * j + c * k
    place[0] = (i * x + j * y + k * z) / determinant
    place[1] = (j * x + (a * f - c * c) * y + (b * c - a * e) * z) / determinant
    place[2] = (k * x + (b * c - a * e) * y + (a * d - b * b) * z) / determinant


@njit(cache=True)
def cost(vertices, quadric, weight, kind, line, a, b, stretch, place, both):
    """Cost in mm2 of the collapse of a-b and, in ``place``, where the vertex goes; infinite where it may not be.

    ``both`` is scratch for the sum of the quadrics.
    """
    if kind[a] == FIXED and kind[b] == FIXED or (kind[a] != FREE and kind[b] != FREE and not line):
        return np.inf
    square = 0.0
    for at in range(3):
        place[at] = (vertices[a, at] + vertices[b, at]) / 2
        square += (vertices[a, at] - vertices[b, at]) ** 2
    for at in range(10):
        both[at] = quadric[a, at] + quadric[b, at]
    if kind[a] == kind[b]:
        x, y, z = place
        _best(both, vertices[a] + (vertices[b] - vertices[a]) / 2, place)
        if (place[0] - x) ** 2 + (place[1] - y) ** 2 + (place[2] - z) ** 2 > square:
            place[0], place[1], place[2] = x, y, z
    else:
        keep = a if kind[a] > kind[b] else b
        for at in range(3):
            place[at] = vertices[keep, at]
    value = _value(both, place[0], place[1], place[2]) / (weight[a] + weight[b])
    return max(value, 0.0) + stretch * stretch * square


@njit(cache=True)
def _sound(vertices, faces, start, of, dead, a, b, place):
    """Whether the faces of a that lack b stay upright and well shaped when a moves to ``place``."""
    for at in range(start[a], start[a + 1]):
        face = of[at]
        if dead[face] or faces[face, 0] == b or faces[face, 1] == b or faces[face, 2] == b:
            continue
        k = 0 if faces[face, 0] == a else 1 if faces[face, 1] == a else 2
        p, q = vertices[faces[face, (k + 1) % 3]], vertices[faces[face, (k + 2) % 3]]
        edge = q - p
        old, new = np.cross(edge, vertices[a] - p), np.cross(edge, place - p)
        length_old, length_new = np.sqrt(old @ old), np.sqrt(new @ new)
        if old @ new < LEAST_COSINE * length_old * length_new:
            return False
        base = edge @ edge
        square_old = base + ((vertices[a] - p) ** 2).sum() + ((vertices[a] - q) ** 2).sum()
        square_new = base + ((place - p) ** 2).sum() + ((place - q) ** 2).sum()
        if length_new < LEAST_QUALITY * square_new and length_new * square_old < length_old * square_new:
            return False
    return True


@njit(cache=True)
def _linked(faces, label, start, of, dead, kind, a, b, stamp, mark):
    """Whether the collapse of a-b leaves a manifold, and no line and no labelled patch vanishes."""
    shared = 0
    for at in range(start[a], start[a + 1]):
        face = of[at]
        if dead[face]:
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
            if kind[third] != FREE and _both_lines(faces, label, start, of, dead, a, b, third):
                return False
    stamp[a], stamp[b] = mark + 1, mark + 1
    common = 0
    for at in range(start[b], start[b + 1]):
        face = of[at]
        if dead[face]:
            continue
        for k in range(3):
            vertex = faces[face, k]
            if stamp[vertex] == mark:
                common += 1
                stamp[vertex] = mark + 1
    return common == shared


@njit(cache=True)
def _both_lines(faces, label, start, of, dead, a, b, third):
    """Whether the edges from ``third`` to a and to b are both lines; dead faces have no vertices."""
    return is_line(faces, label, start, of, third, a) and is_line(faces, label, start, of, third, b)


@njit(cache=True)
def sweep(vertices, quadric, weight, faces, label, start, of, kind, limit, stretch, most):
    """Collapse, in order of the faces, each edge that costs no more than ``limit``, mm2, until ``most`` faces are gone.

    All arrays are changed in place; faces that are gone have the vertices -1. A vertex that took another in is left
    alone for the rest of the sweep, for ``of`` does not list its new faces. Returns the number of faces gone.
    """
    dead = np.zeros(len(faces), np.bool_)
    still = np.zeros(len(vertices), np.bool_)
    stamp = np.zeros(len(vertices), np.int64)
    place, both = np.empty(3), np.empty(10)
    gone, mark = 0, 0
    for number in range(len(faces)):
        for k in range(3):
            if dead[number] or gone >= most:
                break
            a, b = faces[number, k], faces[number, (k + 1) % 3]
            if still[a] or still[b]:
                continue
            line = (kind[a] != FREE and kind[b] != FREE) and is_line(faces, label, start, of, a, b)
            if a > b and not line:
                continue
            if not cost(vertices, quadric, weight, kind, line, a, b, stretch, place, both) <= limit:
                continue
            if not _sound(vertices, faces, start, of, dead, a, b, place):
                continue
            if not _sound(vertices, faces, start, of, dead, b, a, place):
                continue
            mark += 2
            if not _linked(faces, label, start, of, dead, kind, a, b, stamp, mark):
                continue
            gone += _merge(faces, start, of, dead, a, b)
            for at in range(10):
                quadric[a, at] += quadric[b, at]
            weight[a] += weight[b]
            for at in range(3):
                vertices[a, at] = place[at]
            kind[a] = max(kind[a], kind[b])
            still[a] = still[b] = True
    return gone


@njit(cache=True)
def _merge(faces, start, of, dead, a, b):
    """Let a stand for b in b's faces; those that have both are gone. Returns how many."""
    gone = 0
    for at in range(start[b], start[b + 1]):
        face = of[at]
        if dead[face]:
            continue
        if faces[face, 0] == a or faces[face, 1] == a or faces[face, 2] == a:
            dead[face] = True
            faces[face] = -1
            gone += 1
            continue
        for k in range(3):
            if faces[face, k] == b:
                faces[face, k] = a
    return gone
