"""The zero surface of a tile's field as quads between vertices in the cells (a dual contour), open at unmeasured cells.

A cell is measured if its eight corners all have a value, and its points lie around it and not to one side. (The points
of a half plane lie on average 4 / 3 pi = 0.42 of their reach to one side of its edge.) Every grid edge that the surface
crosses, with its four cells in order, gives one quad, which belongs to the tile of the edge's lower node; every loop of
crossings in a cell gives one vertex, which belongs to the tile of the cell. In the middle between two copies of a
surface that face the same way the values change their sign too, against the normals: such an edge has no quad. Missing
quads can leave several fans around a vertex; each fan then gets a vertex of its own. The surface is therefore a
manifold with boundary. Neighbouring tiles agree although each is computed on its own.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numba import njit

from nightbay.fuse.dual_table import EDGES, TABLE
from nightbay.fuse.signed_distance import COUNT, NORMAL, OFFSET, WEIGHT, Field

MARGIN = 3  # nodes beyond the tile that its vertices and quads depend on
FEWEST = 4  # points that a cell needs: three make a plane, the fourth confirms or contradicts it
# Component along a grid edge of the normals at its ends, from which on they say which way the values rise: 60 degrees.
# The normals of a thin panel's two sides cancel each other.
STEEP = 0.5
KEY_EDGES = 16  # vertex key: (cell in tile) * KEY_EDGES + edge that names the fan
FANS = 6  # most fans in one cell: twelve edges, and a missing quad between any two fans


@dataclass(frozen=True)
class Patch:
    """The part of the surface that belongs to a tile.

    ``key`` (n,) int64: names of the tile's own vertices, ascending; ``position`` (n, 3) float64: grid units about the
    tile's first node; ``normal`` (n, 3) float32 unit, outward; ``quads`` (m, 4) int32: row of an own vertex, or
    ``-1 - k`` for row k of ``foreign_tile`` (f, 3) int8, offset of the tile that owns it, and ``foreign_key`` (f,).
    """

    key: np.ndarray
    position: np.ndarray
    normal: np.ndarray
    quads: np.ndarray
    foreign_tile: np.ndarray
    foreign_key: np.ndarray


class Cells(NamedTuple):
    """Cells that the surface passes.

    ``configuration`` (m, m, m) uint8: one bit a corner, set where it lies inside, 0 for cells without surface;
    ``flat`` (n,) int32: flat indices of those with surface, ascending; ``side``: cells along the tile's edge;
    ``margin``: cells below the tile's first.
    """

    configuration: np.ndarray
    flat: np.ndarray
    side: int
    margin: int


class Vertices(NamedTuple):
    """Room for the vertices of a tile.

    ``row`` (m, m, m) int32: row of a cell in ``of_edge``, set where the cell has vertices; ``of_edge`` (n, 12) int32:
    for each crossed edge of a cell the row of an own vertex, ``-2 - k`` for the foreign vertex k, or -1; the others as
    in :class:`Patch`.
    """

    row: np.ndarray
    of_edge: np.ndarray
    key: np.ndarray
    position: np.ndarray
    normal: np.ndarray
    foreign_tile: np.ndarray
    foreign_key: np.ndarray


def contour(field: Field, cells: int, overhang: float) -> Patch:
    """The :class:`Patch` of a tile of ``cells`` cells along its edge.

    ``overhang``: distance to one side of a cell at which its points may lie, share of their reach.
    """
    configuration, flat = _configurations(field, overhang)
    found = Cells(configuration, flat, cells, field.margin)
    most = FANS * len(flat) + 1
    vertices = Vertices(
        np.empty(configuration.shape, np.int32),
        np.full((len(flat), EDGES), -1, np.int32),
        np.empty(most, np.int64),
        np.empty((most, 3), np.float64),
        np.empty((most, 3), np.float32),
        np.empty((most, 3), np.int8),
        np.empty(most, np.int64),
    )
    own, foreign = _create_vertices(field, found, TABLE, vertices)
    return Patch(
        vertices.key[:own].copy(),
        vertices.position[:own].copy(),
        vertices.normal[:own].copy(),
        _quads(field, found, vertices),
        vertices.foreign_tile[:foreign].copy(),
        vertices.foreign_key[:foreign].copy(),
    )


@njit(cache=True, nogil=True)
def _configurations(field, overhang):
    """Configuration of every cell: 0 where the surface does not pass, a corner has no value or the points lie to one
    side. Also returns the flat indices of the other cells, (n,) int32, ascending."""
    node, value = field.node, field.value
    edge = node.shape[0]
    configuration = np.zeros((edge, edge, edge), np.uint8)
    active, count = np.empty(len(value), np.int32), 0  # the low corners of cells are nodes with a value
    for x in range(edge - 1):
        for y in range(edge - 1):
            for z in range(edge - 1):
                bits = 0
                for corner in range(8):
                    at = node[x + (corner & 1), y + ((corner >> 1) & 1), z + (corner >> 2)]
                    if at < 0:
                        bits = 0
                        break
                    if value[at] < 0:
                        bits |= 1 << corner
                if bits == 0 or bits == 255:
                    continue
                if _is_measured(node, field.sums, overhang, x, y, z):
                    configuration[x, y, z] = bits
                    active[count] = (x * edge + y) * edge + z
                    count += 1
    return configuration, active[:count]


@njit(cache=True, nogil=True)
def _is_measured(node, sums, overhang, x, y, z):
    """Whether a cell has enough points at its corners, and they lie around it."""
    points, most, ax, ay, az = 0.0, 0.0, 0.0, 0.0, 0.0
    for corner in range(8):
        at = node[x + (corner & 1), y + ((corner >> 1) & 1), z + (corner >> 2)]
        points += sums[at, COUNT]
        most = max(most, sums[at, COUNT])
        ax += sums[at, OFFSET]
        ay += sums[at, OFFSET + 1]
        az += sums[at, OFFSET + 2]
    return most >= FEWEST and ax * ax + ay * ay + az * az <= (overhang * points) ** 2


@njit(cache=True, nogil=True)
def _loop_row(configuration, table, x, y, z):
    """Row of the table of loops for one cell: the alternative where both cells of a face would pass it twice."""
    bits = configuration[x, y, z]
    face = table.twice[bits]
    if face < 0:
        return np.int64(bits)
    axis, side = face // 2, face % 2
    step = 2 * side - 1
    beyond = configuration[x + step * (axis == 0), y + step * (axis == 1), z + step * (axis == 2)]
    if beyond != 0 and table.twice[beyond] == 2 * axis + 1 - side:
        return table.alternative[bits]
    return np.int64(bits)


@njit(cache=True, nogil=True)
def _steps_back(axis, s1, s2):
    """How far back a cell around an edge lies: ``s1`` and ``s2`` cells, 0 or 1, along the two axes after the edge's."""
    return s1 * (axis == 2) + s2 * (axis == 1), s1 * (axis == 0) + s2 * (axis == 2), s1 * (axis == 1) + s2 * (axis == 0)


@njit(cache=True, nogil=True)
def _has_quad(field, configuration, axis, x, y, z):
    """Whether all four cells around the crossed edge from node (x, y, z) along ``axis`` have surface, and the values
    change there as the normals say."""
    for s1 in range(2):
        for s2 in range(2):
            dx, dy, dz = _steps_back(axis, s1, s2)
            if configuration[x - dx, y - dy, z - dz] == 0:
                return False
    p, q = field.node[x, y, z], field.node[x + (axis == 0), y + (axis == 1), z + (axis == 2)]
    sums = field.sums
    along = (sums[p, NORMAL + axis] / sums[p, WEIGHT] + sums[q, NORMAL + axis] / sums[q, WEIGHT]) / 2
    return (along if field.value[p] < field.value[q] else -along) >= -STEEP


@njit(cache=True, nogil=True)
def _name_fans(following, has_quad, name):
    """For each crossed edge with a quad the edge that names its fan; -1 elsewhere. Fills ``name`` (12,)."""
    name[:] = -1
    seen = np.zeros(EDGES, np.bool_)
    for first in range(EDGES):
        if following[first] < 0 or seen[first]:
            continue
        start, e = first, first
        while True:  # a fan begins where the loop comes from a missing quad
            seen[e] = True
            if not has_quad[e]:
                start = following[e]
            e = following[e]
            if e == first:
                break
        current, e = start, start
        while True:
            if has_quad[e]:
                name[e] = current
            else:
                current = following[e]
            e = following[e]
            if e == start:
                break


@njit(cache=True, nogil=True)
def _average_loop(field, table, following, first, cell, position, normal):
    """Mean of the crossings of the loop from edge ``first`` of a ``cell`` (x, y, z), in nodes, and the sum of the
    normals at them: fills ``position`` (3,) and ``normal`` (3,)."""
    node, value, sums = field.node, field.value, field.sums
    x, y, z = cell
    position[:] = 0
    normal[:] = 0
    count = 0
    e = first
    while True:
        a, b, c = x + table.low[e, 0], y + table.low[e, 1], z + table.low[e, 2]
        axis = table.axis[e]
        p = node[a, b, c]
        q = node[a + (axis == 0), b + (axis == 1), c + (axis == 2)]
        share = np.float64(value[p]) / (np.float64(value[p]) - np.float64(value[q]))
        position[0] += a + share * (axis == 0)
        position[1] += b + share * (axis == 1)
        position[2] += c + share * (axis == 2)
        for k in range(3):
            normal[k] += (
                sums[p, NORMAL + k] / sums[p, WEIGHT] * (1 - share) + sums[q, NORMAL + k] / sums[q, WEIGHT] * share
            )
        count += 1
        e = following[e]
        if e == first:
            break
    for k in range(3):
        position[k] /= count


@njit(cache=True, nogil=True)
def _create_vertices(field, cells, table, vertices):
    """Create a vertex for every fan of quads in a cell: fills ``vertices``. Returns the numbers of own and foreign
    ones.

    Fans come in the order of their names, so keys ascend.
    """
    configuration, side, margin = cells.configuration, cells.side, cells.margin
    edge = configuration.shape[0]
    name, has_quad = np.empty(EDGES, np.int8), np.empty(EDGES, np.bool_)
    position, normal = np.empty(3), np.empty(3)
    own, foreign = 0, 0
    for row in range(len(cells.flat)):
        x, y, z = cells.flat[row] // (edge * edge), cells.flat[row] // edge % edge, cells.flat[row] % edge
        i, j, k = x - margin, y - margin, z - margin
        if min(i, j, k) < -1 or max(i, j, k) >= side:
            continue
        vertices.row[x, y, z] = row
        following = table.following[_loop_row(configuration, table, x, y, z)]
        for e in range(EDGES):
            a, b, c = x + table.low[e, 0], y + table.low[e, 1], z + table.low[e, 2]
            has_quad[e] = following[e] >= 0 and _has_quad(field, configuration, table.axis[e], a, b, c)
        _name_fans(following, has_quad, name)
        ti, tj, tk = -(i < 0), -(j < 0), -(k < 0)  # the tile that owns the cell
        flat = ((i - ti * side) * side + (j - tj * side)) * side + (k - tk * side)
        for fan in range(EDGES):
            used = False
            for e in range(EDGES):
                if name[e] == fan:
                    used = True
                    vertices.of_edge[row, e] = own if ti + tj + tk == 0 else -2 - foreign
            if not used:
                continue
            if ti + tj + tk == 0:
                _average_loop(field, table, following, fan, (x, y, z), position, normal)
                length = np.sqrt((normal * normal).sum())
                for m in range(3):
                    vertices.position[own, m] = position[m] - margin
                    vertices.normal[own, m] = normal[m] / max(length, 1e-12)
                vertices.key[own] = flat * KEY_EDGES + fan
                own += 1
            else:
                offset = vertices.foreign_tile[foreign]
                offset[0], offset[1], offset[2] = ti, tj, tk
                vertices.foreign_key[foreign] = flat * KEY_EDGES + fan
                foreign += 1
    return own, foreign


@njit(cache=True, nogil=True)
def _quads(field, cells, vertices):
    """The quads of the grid edges that belong to the tile, (m, 4) int32 as in :class:`Patch`."""
    edge, margin = field.node.shape[0], cells.margin
    quads = np.empty((3 * len(cells.flat) + 1, 4), np.int32)
    made = 0
    for row in range(len(cells.flat)):
        x, y, z = cells.flat[row] // (edge * edge), cells.flat[row] // edge % edge, cells.flat[row] % edge
        if min(x, y, z) < margin or max(x, y, z) >= margin + cells.side:
            continue
        for axis in range(3):
            if vertices.of_edge[row, 4 * axis] == -1:
                continue
            outward = field.value[field.node[x, y, z]] < 0
            for corner in range(4):
                # anticlockwise about the axis: (0, 0), (1, 0), (1, 1), (0, 1) cells back along the next two
                s1, s2 = np.int64(corner == 1 or corner == 2), np.int64(corner >= 2)
                dx, dy, dz = _steps_back(axis, s1, s2)
                index = vertices.of_edge[vertices.row[x - dx, y - dy, z - dz], 4 * axis + s1 + 2 * s2]
                quads[made, corner if outward else 3 - corner] = index if index >= 0 else index + 1
            made += 1
    return quads[:made].copy()
