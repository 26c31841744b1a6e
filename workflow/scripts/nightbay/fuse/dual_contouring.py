"""The zero surface of a tile's field as quads between vertices in the cells (a dual contour), open where cells are.

Only cells count whose eight corners all have a value, and whose points lie around them and not to one side. (The points
of a half plane lie on average 4 / 3 pi = 0.42 of their reach to one side of its rim.) Every grid edge that the surface
crosses, with its four cells in order, gives one quad, which belongs to the tile of the edge's lower node; every loop of
crossings in a cell gives one vertex, which belongs to the tile of the cell. Where quads are missing around a vertex so
that several fans are left, each fan gets a vertex of its own. So the surface is a manifold with boundary, and tiles
agree without seeing each other.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit

from nightbay.fuse import dual_table

MARGIN = 3  # nodes beyond the tile that its vertices and quads depend on
FEWEST = 4  # points that a cell needs: three make a plane, the fourth speaks for or against it
KEY_EDGES = 16  # vertex key: (cell in tile) * KEY_EDGES + edge that names the fan
FANS = 6  # most fans in one cell: twelve edges, and a missing quad between any two fans

# for each edge of a cell, its axis and its lower corner's offsets
_EDGE_AXIS = np.array([e // 4 for e in range(12)], np.int64)
_EDGE_LOW = np.zeros((12, 3), np.int64)
for _e in range(12):
    _EDGE_LOW[_e, (_e // 4 + 1) % 3] = _e & 1
    _EDGE_LOW[_e, (_e // 4 + 2) % 3] = (_e >> 1) & 1


@dataclass(frozen=True)
class Patch:
    """What a tile adds to the surface.

    ``key`` (n,) int64: names of the tile's own vertices, ascending; ``place`` (n, 3) float64: grid units about the
    tile's first node; ``normal`` (n, 3) float32 unit, outward; ``quads`` (m, 4) int32: row of an own vertex, or
    ``-1 - k`` for row k of ``foreign_tile`` (f, 3) int8, offset of the tile that owns it, and ``foreign_key`` (f,).
    """

    key: np.ndarray
    place: np.ndarray
    normal: np.ndarray
    quads: np.ndarray
    foreign_tile: np.ndarray
    foreign_key: np.ndarray


@njit(cache=True, nogil=True)
def _configurations(node, value, sums, overhang):
    """Configuration of every cell: 0 where the surface does not pass, a corner has no value or the points lie aside.
    With it the flat numbers of the others, (n,) int32, ascending."""
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
                points, most, ax, ay, az = 0.0, 0.0, 0.0, 0.0, 0.0
                for corner in range(8):
                    at = node[x + (corner & 1), y + ((corner >> 1) & 1), z + (corner >> 2)]
                    points += sums[at, 5]
                    most = max(most, sums[at, 5])
                    ax += sums[at, 6]
                    ay += sums[at, 7]
                    az += sums[at, 8]
                if most >= FEWEST and ax * ax + ay * ay + az * az <= (overhang * points) ** 2:
                    configuration[x, y, z] = bits
                    active[count] = (x * edge + y) * edge + z
                    count += 1
    return configuration, active[:count]


@njit(cache=True, nogil=True)
def _row(configuration, twice, x, y, z):
    """Row of the table of loops for one cell."""
    bits = configuration[x, y, z]
    face = twice[bits]
    if face < 0:
        return np.int64(bits)
    axis, side = face // 2, face % 2
    step = 2 * side - 1
    beyond = configuration[x + step * (axis == 0), y + step * (axis == 1), z + step * (axis == 2)]
    if beyond != 0 and twice[beyond] == 2 * axis + 1 - side:
        return np.int64(bits) + 256
    return np.int64(bits)


@njit(cache=True, nogil=True)
def _whole(configuration, axis, x, y, z):
    """Whether all four cells around the edge from node (x, y, z) along ``axis`` take part."""
    for s1 in range(2):
        for s2 in range(2):
            dx = s1 * (axis == 2) + s2 * (axis == 1)
            dy = s1 * (axis == 0) + s2 * (axis == 2)
            dz = s1 * (axis == 1) + s2 * (axis == 0)
            if configuration[x - dx, y - dy, z - dz] == 0:
                return False
    return True


@njit(cache=True, nogil=True)
def _fans(following, whole, name):
    """For each crossing edge with a quad, the edge that names its fan; -1 elsewhere."""
    name[:] = -1
    seen = np.zeros(12, np.bool_)
    for first in range(12):
        if following[first] < 0 or seen[first]:
            continue
        start, e, closed = first, first, True
        while True:  # begin a fan where the loop comes from a missing quad
            seen[e] = True
            if not whole[e]:
                closed = False
                start = following[e]
            e = following[e]
            if e == first:
                break
        current, e = start, start
        while True:
            if whole[e]:
                name[e] = current
            else:
                current = following[e]
            e = following[e]
            if e == start:
                break
        if closed:
            continue
    return


@njit(cache=True, nogil=True)
def _loop_place(following, first, node, value, sums, x, y, z, low, axis_of, place, normal):
    """Mean of the crossings of a loop, in nodes, and the sum of the normals at them."""
    place[:] = 0
    normal[:] = 0
    count = 0
    e = first
    while True:
        a, b, c = x + low[e, 0], y + low[e, 1], z + low[e, 2]
        axis = axis_of[e]
        p = node[a, b, c]
        q = node[a + (axis == 0), b + (axis == 1), c + (axis == 2)]
        share = np.float64(value[p]) / (np.float64(value[p]) - np.float64(value[q]))
        place[0] += a + share * (axis == 0)
        place[1] += b + share * (axis == 1)
        place[2] += c + share * (axis == 2)
        for k in range(3):
            normal[k] += sums[p, 2 + k] / sums[p, 0] * (1 - share) + sums[q, 2 + k] / sums[q, 0] * share
        count += 1
        e = following[e]
        if e == first:
            break
    for k in range(3):
        place[k] /= count


@njit(cache=True, nogil=True)
def _contour(node, value, sums, configuration, cell, cells, margin, table, twice, low, axis_of):
    """``cell`` (n,): flat numbers of the cells with a configuration, ascending."""
    edge = node.shape[0]
    active = len(cell)
    row_of = np.empty((edge, edge, edge), np.int32)  # set and read where a cell has vertices
    vertex = np.full((active, 12), -1, np.int32)
    key = np.empty(FANS * active + 1, np.int64)
    place = np.empty((FANS * active + 1, 3), np.float64)
    normal = np.empty((FANS * active + 1, 3), np.float32)
    foreign_tile = np.empty((FANS * active + 1, 3), np.int8)
    foreign_key = np.empty(FANS * active + 1, np.int64)
    name, whole = np.empty(12, np.int8), np.empty(12, np.bool_)
    mean, direction = np.empty(3), np.empty(3)
    own, foreign = 0, 0
    for row in range(active):
        x, y, z = cell[row] // (edge * edge), cell[row] // edge % edge, cell[row] % edge
        i, j, k = x - margin, y - margin, z - margin
        if min(i, j, k) < -1 or max(i, j, k) >= cells:
            continue
        row_of[x, y, z] = row
        following = table[_row(configuration, twice, x, y, z)]
        for e in range(12):
            whole[e] = following[e] >= 0 and _whole(
                configuration, axis_of[e], x + low[e, 0], y + low[e, 1], z + low[e, 2]
            )
        _fans(following, whole, name)
        ti, tj, tk = -(i < 0), -(j < 0), -(k < 0)
        flat = ((i - ti * cells) * cells + (j - tj * cells)) * cells + (k - tk * cells)
        for fan in range(12):  # fans in the order of their names: keys ascend
            used = False
            for e in range(12):
                if name[e] == fan:
                    used = True
                    vertex[row, e] = own if ti + tj + tk == 0 else -2 - foreign
            if not used:
                continue
            if ti + tj + tk == 0:
                _loop_place(following, fan, node, value, sums, x, y, z, low, axis_of, mean, direction)
                length = np.sqrt((direction * direction).sum())
                for m in range(3):
                    place[own, m] = mean[m] - margin
                    normal[own, m] = direction[m] / max(length, 1e-12)
                key[own] = flat * KEY_EDGES + fan
                own += 1
            else:
                foreign_tile[foreign, 0], foreign_tile[foreign, 1], foreign_tile[foreign, 2] = ti, tj, tk
                foreign_key[foreign] = flat * KEY_EDGES + fan
                foreign += 1
    quads = np.empty((3 * active + 1, 4), np.int32)
    made = 0
    for row in range(active):
        x, y, z = cell[row] // (edge * edge), cell[row] // edge % edge, cell[row] % edge
        if min(x, y, z) < margin or max(x, y, z) >= margin + cells:
            continue
        for axis in range(3):
            here = vertex[row, 4 * axis]
            if here == -1:
                continue
            outward = value[node[x, y, z]] < 0
            for corner in range(4):
                # anticlockwise about the axis: (0, 0), (1, 0), (1, 1), (0, 1) cells back along the next two
                s1, s2 = np.int64(corner == 1 or corner == 2), np.int64(corner >= 2)
                dx = s1 * (axis == 2) + s2 * (axis == 1)
                dy = s1 * (axis == 0) + s2 * (axis == 2)
                dz = s1 * (axis == 1) + s2 * (axis == 0)
                index = vertex[row_of[x - dx, y - dy, z - dz], 4 * axis + s1 + 2 * s2]
                quads[made, corner if outward else 3 - corner] = index if index >= 0 else index + 1
            made += 1
    return (
        key[:own].copy(), place[:own].copy(), normal[:own].copy(), quads[:made].copy(),
        foreign_tile[:foreign].copy(), foreign_key[:foreign].copy(),
    )  # fmt: skip


def contour(field, cells, overhang):
    """The :class:`Patch` of a tile of ``cells`` cells along its edge from its :class:`Field`.

    ``overhang``: how far to one side of a cell its points may lie, share of their reach.
    """
    configuration, cell = _configurations(field.node, field.value, field.sums, overhang)
    return Patch(
        *_contour(
            field.node, field.value, field.sums, configuration, cell, cells, field.margin,
            dual_table.NEXT, dual_table.TWICE, _EDGE_LOW, _EDGE_AXIS,
        )
    )  # fmt: skip
