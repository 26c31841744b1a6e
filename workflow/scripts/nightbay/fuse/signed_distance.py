"""Signed distance from oriented points, on the nodes of the grid near them.

Every point adds the signed distance ``n . (x - p)`` of its tangent plane to the nodes x within a flat cylinder about
it. The cylinder has the point's reach for its radius and a band along the normal for its height; the band is just high
enough to include all eight corners of a cell that the surface passes. A node takes the weighted mean. It also sums the
offsets of the points in their tangent planes, from which :mod:`nightbay.fuse.dual_contouring` decides where the
measured surface ends.
"""

from typing import NamedTuple

import numpy as np
from numba import njit

from nightbay.fuse.tile_points import TilePoints

BAND = 1.75  # grid units, along the normal: a cell's diagonal, sqrt(3), and a little
DENSITY_BLOCK = 2  # cells on each side of a point's cell in which its neighbours are counted
# A plane through the middle of a block of 5 cells has 25 (square to an axis) to 25 sqrt(3) squares of area; their mean.
BLOCK_AREA = 32.0
OUTER_WEIGHT = 0.05  # weight of a plane at the end of the band: at a node between two sheets the nearer one dominates
# Columns of the sums of a node
WEIGHT, DISTANCE = 0, 1
NORMAL = 2  # and the next two columns
COUNT = 5  # number of points
OFFSET = 6  # of the points in their tangent planes in units of their reach; and the next two columns
COLUMNS = 9
FIRST_ROOM = 1 << 17  # rows of sums; doubled where a tile has more nodes


class Field(NamedTuple):
    """Node values of one tile.

    ``node`` (m, m, m) int32: row of the node in ``sums`` (n, :data:`COLUMNS`) float32 and ``value`` (n,) float32, or
    -1 without a value; the first node lies ``margin`` nodes below the tile's own.
    """

    node: np.ndarray
    sums: np.ndarray
    value: np.ndarray
    margin: int


class Nodes(NamedTuple):
    """Nodes that points have reached: ``node`` and ``sums`` as in :class:`Field`, and ``flat`` (n,) int32: flat index
    of the node of each row of ``sums``."""

    node: np.ndarray
    sums: np.ndarray
    flat: np.ndarray


def reaches(points: TilePoints, sparse_reach: float, least: float, most: float) -> np.ndarray:
    """Reach of every point in its tangent plane, (n,) float32 grid units: ``sparse_reach`` times the spacing of the
    points around it, within ``least``..``most``."""
    return _reaches(points.cell, points.start, points.halo, points.edge, (sparse_reach, least, most))


@njit(cache=True, nogil=True)
def _reaches(cell, start, halo, edge, limits):
    sparse_reach, least, most = limits
    reach = np.empty(len(cell), np.float32)
    for i in range(len(cell)):
        x, y, z = cell[i, 0] + halo, cell[i, 1] + halo, cell[i, 2] + halo
        z0, z1 = max(z - DENSITY_BLOCK, 0), min(z + DENSITY_BLOCK, edge - 1)
        count = 0
        for a in range(max(x - DENSITY_BLOCK, 0), min(x + DENSITY_BLOCK, edge - 1) + 1):
            for b in range(max(y - DENSITY_BLOCK, 0), min(y + DENSITY_BLOCK, edge - 1) + 1):
                row = (a * edge + b) * edge
                count += start[row + z1 + 1] - start[row + z0]
        reach[i] = min(max(sparse_reach * np.sqrt(BLOCK_AREA / count), least), most)
    return reach


@njit(cache=True, nogil=True)
def _splat(points, reach, margin, nodes):
    """Add every point to the ``nodes`` (:class:`Nodes`) in its reach; returns how many nodes it reached, -1 if there is
    no room for them."""
    cell, offset, normal, weight = points.cell, points.offset, points.normal, points.weight
    node, sums, flat = nodes
    edge = node.shape[0]
    used = 0
    for i in range(len(cell)):
        r = reach[i]
        nx, ny, nz = normal[i, 0], normal[i, 1], normal[i, 2]
        fx, fy, fz = offset[i, 0], offset[i, 1], offset[i, 2]
        # half extents of the cylinder
        ex = r * np.sqrt(max(1 - nx * nx, np.float32(0))) + BAND * abs(nx)
        ey = r * np.sqrt(max(1 - ny * ny, np.float32(0))) + BAND * abs(ny)
        ez = r * np.sqrt(max(1 - nz * nz, np.float32(0))) + BAND * abs(nz)
        cx, cy, cz = cell[i, 0] + margin, cell[i, 1] + margin, cell[i, 2] + margin
        a0, a1 = max(int(np.ceil(fx - ex)), -cx), min(int(np.floor(fx + ex)), edge - 1 - cx)
        b0, b1 = max(int(np.ceil(fy - ey)), -cy), min(int(np.floor(fy + ey)), edge - 1 - cy)
        c0, c1 = max(int(np.ceil(fz - ez)), -cz), min(int(np.floor(fz + ez)), edge - 1 - cz)
        inverse = 1 / (r * r)
        for a in range(a0, a1 + 1):
            ux = a - fx
            for b in range(b0, b1 + 1):
                uy = b - fy
                for c in range(c0, c1 + 1):
                    uz = c - fz
                    d = nx * ux + ny * uy + nz * uz
                    if d > BAND or d < -BAND:
                        continue
                    q = (ux * ux + uy * uy + uz * uz - d * d) * inverse
                    if q >= 1:
                        continue
                    fall = 1 - d * d * ((1 - OUTER_WEIGHT) / (BAND * BAND))
                    w = np.float32(weight[i] * (1 - q) * (1 - q) * fall)
                    at = node[cx + a, cy + b, cz + c]
                    if at < 0:
                        at = used
                        if used == len(sums):
                            return -1
                        node[cx + a, cy + b, cz + c] = at
                        flat[at] = ((cx + a) * edge + cy + b) * edge + cz + c
                        used += 1
                    sums[at, WEIGHT] += w
                    sums[at, DISTANCE] += w * d
                    sums[at, NORMAL] += w * nx
                    sums[at, NORMAL + 1] += w * ny
                    sums[at, NORMAL + 2] += w * nz
                    sums[at, COUNT] += 1
                    sums[at, OFFSET] += (ux - d * nx) / r
                    sums[at, OFFSET + 1] += (uy - d * ny) / r
                    sums[at, OFFSET + 2] += (uz - d * nz) / r
    return used


@njit(cache=True, nogil=True)
def _add_shell(node, known):
    """Number the nodes without a value next to nodes with one, from ``len(known)`` on, in ``node``.

    ``known`` (n,) int32: flat indices of the nodes with a value. Returns the flat indices of the new ones, (m,) int32.
    """
    edge = node.shape[0]
    row_of = node.reshape(-1)
    steps = np.array([edge * edge, edge, 1])
    added = np.empty(6 * len(known), np.int32)
    count = 0
    for flat in known:
        x, y, z = flat // (edge * edge), flat // edge % edge, flat % edge
        for k, at in enumerate((x, y, z)):
            for side in (-1, 1):
                beside = flat + side * steps[k]
                if 0 <= at + side < edge and row_of[beside] == -1:
                    row_of[beside] = len(known) + count
                    added[count] = beside
                    count += 1
    return added[:count]


@njit(cache=True, nogil=True)
def _extrapolate(node, sums, value, added):
    """Rows of ``sums`` and ``value`` for the ``added`` nodes, (m,) int32 flat indices: each continues the tangent
    planes of its neighbours with a value."""
    edge, known = node.shape[0], len(value)
    row_of = node.reshape(-1)
    steps = np.array([edge * edge, edge, 1])
    new_sums, new_value = np.zeros((len(added), sums.shape[1]), np.float32), np.zeros(len(added), np.float32)
    for new in range(len(added)):
        x, y, z = added[new] // (edge * edge), added[new] // edge % edge, added[new] % edge
        total, neighbours = 0.0, 0
        for k, at in enumerate((x, y, z)):
            for side in (-1, 1):
                if not 0 <= at + side < edge:
                    continue
                row = row_of[added[new] + side * steps[k]]
                if row < 0 or row >= known:
                    continue
                total += value[row] - side * sums[row, NORMAL + k] / sums[row, WEIGHT]
                for m in range(3):
                    new_sums[new, NORMAL + m] += sums[row, NORMAL + m] / sums[row, WEIGHT]
                neighbours += 1
        new_value[new] = total / neighbours
        new_sums[new, WEIGHT] = neighbours
    return new_sums, new_value


def field(points: TilePoints, reach: np.ndarray, cells: int, margin: int) -> Field:
    """The :class:`Field` of a tile's points.

    ``reach`` (n,) from :func:`reaches`; ``cells``: of the tile along its edge; ``margin``: nodes beyond the tile. The
    nodes next to those in reach of a point continue their tangent planes: beyond a crease the outer corners of a cell
    that the surface passes can lie out of reach of both faces.
    """
    edge = cells + 2 * margin
    room = FIRST_ROOM
    while True:
        nodes = Nodes(
            np.full((edge, edge, edge), -1, np.int32),
            np.zeros((room, COLUMNS), np.float32),
            np.empty(room, np.int32),
        )
        used = _splat(points, reach, margin, nodes)
        if used >= 0:
            break
        room *= 2
    sums = nodes.sums[:used]
    value = sums[:, DISTANCE] / sums[:, WEIGHT]
    added = _add_shell(nodes.node, nodes.flat[:used])
    more_sums, more_value = _extrapolate(nodes.node, sums, value, added)
    return Field(nodes.node, np.concatenate([sums, more_sums]), np.concatenate([value, more_value]), margin)
