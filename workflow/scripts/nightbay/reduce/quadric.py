"""Quadrics of a mesh's vertices: how far a position is from all the planes assigned to a vertex.

A quadric holds the squared distance to planes, weighted by area (M. Garland, P. Heckbert, "Surface simplification using
quadric error metrics", SIGGRAPH 1997). Its value divided by the weight is a mean squared distance in mm2. Lines that
must stay, the boundary and the seams between measured and filled faces, have planes through them at right angles to
the surface.

Each is stored relative to its own vertex. Its values near the vertex are far below 1 mm2 and no differences of large
numbers: float32 is enough.
"""

from typing import NamedTuple

import numpy as np
from numba import njit

from nightbay.meshes import topology

# Columns of a quadric: coefficients of x2, xy, xz, y2, yz, z2, of 2x, 2y, 2z, the constant, and the weight.
XX, XY, XZ, YY, YZ, ZZ, X, Y, Z, CONSTANT, WEIGHT = range(11)
SIZE = 11
# Classes of vertices: on no line, on one line, where lines meet or end, and held. Held vertices are not merged: a part
# of a mesh shares them with other parts, and a merge could create an edge that another part already has.
FREE, LINE, FIXED, HELD = 0, 2, 3, 4
# An edge of length l costs (l / 1000)**2: flat areas get even faces, and none longer than that allows. The value is
# this project's choice.
STRETCH = 1e-3
# Pull to the middle of the edge, share of the quadric's trace: it counts only where planes leave the position open. The
# value is this project's choice.
HOLD = 1e-3
# An edge is met twice by each of its faces, once from either end's list: uses of 1 or 2 (and 3, 4, 6) divide 12 evenly.
EDGE_SHARES = 12


class Mesh(NamedTuple):
    """The arrays of a mesh that is being reduced, which kernels change in place: ``vertices`` (n, 3) float32 mm, their
    ``quadric`` (n, 11) float32 and ``kind`` (n,) uint8, ``faces`` (m, 3) int32 (-1: removed) and their ``label`` (m,)
    uint8, 1 where filled."""

    vertices: np.ndarray
    quadric: np.ndarray
    kind: np.ndarray
    faces: np.ndarray
    label: np.ndarray


class FaceLists(NamedTuple):
    """The faces at each vertex: ``face[begin[v]:end[v]]`` are those of vertex v; ``face`` may have room behind them."""

    face: np.ndarray
    begin: np.ndarray
    end: np.ndarray


class Form(NamedTuple):
    """A quadric in float64 about the middle of an edge, coefficients as in the columns of a quadric."""

    xx: float
    xy: float
    xz: float
    yy: float
    yz: float
    zz: float
    x: float
    y: float
    z: float
    constant: float


def face_lists(faces: np.ndarray, vertex_count: int, room: float = 1.0) -> FaceLists:
    """:class:`FaceLists` of faces (m, 3); ``room``: length of ``face`` over what is needed at first."""
    start, face = topology.incidence(faces, vertex_count, room)
    return FaceLists(face, start[:-1].copy(), start[1:].copy())


def plane_mesh(vertices: np.ndarray, faces: np.ndarray, label: np.ndarray) -> Mesh:
    """:class:`Mesh` of some of a mesh's faces, with the quadrics of their planes.

    Vertices are held unless a ring of these faces with one label encloses them. The arrays are used without a copy.
    """
    held = topology.balance(faces, label, len(vertices))
    return Mesh(vertices, _of_faces(vertices, faces), np.where(held, HELD, FREE).astype("u1"), faces, label)


def add_lines(mesh: Mesh) -> None:
    """Set the classes of all vertices of a whole mesh, and add the planes along lines to their quadrics, in place."""
    around = face_lists(mesh.faces, len(mesh.vertices))
    _classify(mesh, around, topology.balance(mesh.faces, mesh.label, len(mesh.vertices)))
    _add_lines(mesh, around)


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
def _classify(mesh, around, balance):
    """Set the class of each vertex: by how many lines end in it, counted where its faces close no ring."""
    for vertex in range(len(balance)):
        if balance[vertex] == 0:
            mesh.kind[vertex] = FREE
            continue
        shares = 0
        for at in range(around.begin[vertex], around.end[vertex]):
            for k in range(3):
                other = mesh.faces[around.face[at], k]
                if other != vertex and is_line(mesh, around, vertex, other):
                    shares += EDGE_SHARES // _uses(mesh.faces, around, vertex, other)
        mesh.kind[vertex] = FREE if shares == 0 else LINE if shares == 2 * EDGE_SHARES else FIXED


@njit(cache=True, nogil=True)
def _uses(faces, around, a, b):
    """How many faces have the edge a-b."""
    count = 0
    for at in range(around.begin[a], around.end[a]):
        face = around.face[at]
        count += faces[face, 0] == b or faces[face, 1] == b or faces[face, 2] == b
    return count


@njit(cache=True, nogil=True)
def is_line(mesh: Mesh, around: FaceLists, a: int, b: int) -> bool:
    """Whether the edge a-b is a boundary, or a seam of faces with different labels."""
    faces, count, first = mesh.faces, 0, 0
    for at in range(around.begin[a], around.end[a]):
        face = around.face[at]
        if faces[face, 0] == b or faces[face, 1] == b or faces[face, 2] == b:
            if count > 0 and mesh.label[face] != first:
                return True
            first = mesh.label[face]
            count += 1
    return count == 1


@njit(cache=True, nogil=True)
def _add_lines(mesh, around):
    """Add the planes through lines at right angles to the adjacent faces; each has the square of its edge as weight."""
    vertices, faces, kind = mesh.vertices, mesh.faces, mesh.kind
    for face in range(len(faces)):
        for k in range(3):
            a, b, c = faces[face, k], faces[face, (k + 1) % 3], faces[face, (k + 2) % 3]
            if kind[a] == FREE or kind[b] == FREE or not is_line(mesh, around, a, b):
                continue
            along, to_third = vertices[b] - vertices[a], vertices[c] - vertices[a]
            across = to_third - along * ((along * to_third).sum() / max((along * along).sum(), np.float32(1e-12)))
            length, square = np.sqrt((across * across).sum()), (along * along).sum()
            if length > 0.0:
                for vertex in (a, b):
                    _add_plane(mesh.quadric[vertex], across[0], across[1], across[2], length, square)


@njit(cache=True, nogil=True)
def _add_plane(row, x, y, z, length, weight):
    """Add the plane at right angles to (x, y, z), a vector of that length, through the vertex of the quadric."""
    share = weight / (length * length)
    row[XX] += share * x * x
    row[XY] += share * x * y
    row[XZ] += share * x * z
    row[YY] += share * y * y
    row[YZ] += share * y * z
    row[ZZ] += share * z * z
    row[WEIGHT] += weight


@njit(cache=True, nogil=True)
def cost(mesh: Mesh, line: bool, a: int, b: int, position: np.ndarray) -> float:
    """Cost in mm2 of the collapse of the edge a-b, infinite where it may not be; ``line``: whether the edge is one.

    Writes the merged vertex's position to ``position``, (3,) float64.
    """
    kind, vertices = mesh.kind, mesh.vertices
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
    p, q = mesh.quadric[a], mesh.quadric[b]
    form = _about_middle(p, q, x, y, z)
    if kind[a] == kind[b]:
        ox, oy, oz = _lowest(form, square)
    elif kind[a] > kind[b]:
        ox, oy, oz = -x, -y, -z
    else:
        ox, oy, oz = x, y, z
    position[0] = vertices[a, 0] + x + ox
    position[1] = vertices[a, 1] + y + oy
    position[2] = vertices[a, 2] + z + oz
    weight = np.float64(p[WEIGHT]) + q[WEIGHT]
    # faces without area have no plane, and no weight: only the edge's length counts
    return (max(_value(form, ox, oy, oz), 0.0) / weight if weight > 0.0 else 0.0) + STRETCH * STRETCH * square


@njit(cache=True, nogil=True)
def _about_middle(p, q, x, y, z):
    """The sum of two quadrics about the middle of their edge: half the edge, (x, y, z), on from p, and back from q."""
    xx, xy, xz = np.float64(p[XX]) + q[XX], np.float64(p[XY]) + q[XY], np.float64(p[XZ]) + q[XZ]
    yy, yz, zz = np.float64(p[YY]) + q[YY], np.float64(p[YZ]) + q[YZ], np.float64(p[ZZ]) + q[ZZ]
    dxx, dxy, dxz = np.float64(p[XX]) - q[XX], np.float64(p[XY]) - q[XY], np.float64(p[XZ]) - q[XZ]
    dyy, dyz, dzz = np.float64(p[YY]) - q[YY], np.float64(p[YZ]) - q[YZ], np.float64(p[ZZ]) - q[ZZ]
    lx = dxx * x + dxy * y + dxz * z + p[X] + q[X]
    ly = dxy * x + dyy * y + dyz * z + p[Y] + q[Y]
    lz = dxz * x + dyz * y + dzz * z + p[Z] + q[Z]
    constant = (
        np.float64(p[CONSTANT])
        + q[CONSTANT]
        + x * (xx * x + 2 * (xy * y + xz * z) + 2 * (np.float64(p[X]) - q[X]))
        + y * (yy * y + 2 * yz * z + 2 * (np.float64(p[Y]) - q[Y]))
        + z * (zz * z + 2 * (np.float64(p[Z]) - q[Z]))
    )
    return Form(xx, xy, xz, yy, yz, zz, lx, ly, lz, constant)


@njit(cache=True, nogil=True)
def _lowest(form, square):
    """Where a form is lowest, pulled to its middle; the middle where that is further away than the root of ``square``.

    The three equations are solved by Cramer's rule.
    """
    hold = HOLD * (form.xx + form.yy + form.zz) + 1e-12
    xx, yy, zz, xy, xz, yz = form.xx + hold, form.yy + hold, form.zz + hold, form.xy, form.xz, form.yz
    i, j, k = yy * zz - yz * yz, xz * yz - xy * zz, xy * yz - xz * yy
    by = -1.0 / (xx * i + xy * j + xz * k)
    ox = by * (i * form.x + j * form.y + k * form.z)
    oy = by * (j * form.x + (xx * zz - xz * xz) * form.y + (xy * xz - xx * yz) * form.z)
    oz = by * (k * form.x + (xy * xz - xx * yz) * form.y + (xx * yy - xy * xy) * form.z)
    if ox * ox + oy * oy + oz * oz > square:
        return 0.0, 0.0, 0.0
    return ox, oy, oz


@njit(cache=True, nogil=True)
def _value(form, x, y, z):
    return (
        x * (form.xx * x + 2 * (form.xy * y + form.xz * z + form.x))
        + y * (form.yy * y + 2 * (form.yz * z + form.y))
        + z * (form.zz * z + 2 * form.z)
    ) + form.constant


@njit(cache=True, nogil=True)
def move_origin(mesh: Mesh, vertex: int, position: np.ndarray) -> None:
    """Refer the quadric of a vertex to another position, (3,), where it is added to others; the vertex stays."""
    q = mesh.quadric[vertex]
    x, y, z = (
        np.float64(position[0]) - mesh.vertices[vertex, 0],
        np.float64(position[1]) - mesh.vertices[vertex, 1],
        np.float64(position[2]) - mesh.vertices[vertex, 2],
    )
    lx = q[X] + q[XX] * x + q[XY] * y + q[XZ] * z
    ly = q[Y] + q[XY] * x + q[YY] * y + q[YZ] * z
    lz = q[Z] + q[XZ] * x + q[YZ] * y + q[ZZ] * z
    q[CONSTANT] = max(q[CONSTANT] + x * (q[X] + lx) + y * (q[Y] + ly) + z * (q[Z] + lz), 0.0)
    q[X], q[Y], q[Z] = lx, ly, lz
