"""Signed distance from oriented points, on the nodes of the grid near them.

Every point states the signed distance ``n . (x - p)`` of its tangent plane to the nodes x within a flat cylinder about
it: its reach in the tangent plane, and a band along the normal that is just deep enough that all eight corners of a
cell which the surface passes hear of it. A node takes the weighted mean, and keeps how far to one side of it the points
lie, by which :mod:`nightbay.fuse.dual_contouring` knows where the measured surface ends.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit

BAND = 1.75  # grid units, along the normal: a cell's diagonal, sqrt(3), and a little
DENSITY_BLOCK = 2  # cells to each side of a point's own over which its neighbours are counted
# A plane through the middle of a block of 5 cells has 25 (square to an axis) to 25 sqrt(3) squares of area; their mean.
BLOCK_AREA = 32.0
OUTER_WEIGHT = 0.05  # weight of a plane at the end of the band: at a node between two sheets the nearer one speaks
# fields of a node: weight, sum of distances, sum of normals (3); number of points, sum of their offsets in the tangent
# plane in units of their reach (3)
FIELDS = 9


@dataclass(frozen=True)
class Field:
    """Node values of one tile. ``node`` (m, m, m) int32: row of the node in ``sums`` (n, 9) and ``value`` (n,), or -1;
    the first node stands ``margin`` nodes below the tile's own."""

    node: np.ndarray
    sums: np.ndarray
    value: np.ndarray
    margin: int


@njit(cache=True, nogil=True)
def reaches(cell, start, halo, edge, bridge, least, most):
    """Reach of every point in the tangent plane, (n,) float32 grid units: ``bridge`` times the spacing of the points
    around it, within ``least``..``most``."""
    reach = np.empty(len(cell), np.float32)
    for i in range(len(cell)):
        x, y, z = cell[i, 0] + halo, cell[i, 1] + halo, cell[i, 2] + halo
        z0, z1 = max(z - DENSITY_BLOCK, 0), min(z + DENSITY_BLOCK, edge - 1)
        count = 0
        for a in range(max(x - DENSITY_BLOCK, 0), min(x + DENSITY_BLOCK, edge - 1) + 1):
            for b in range(max(y - DENSITY_BLOCK, 0), min(y + DENSITY_BLOCK, edge - 1) + 1):
                row = (a * edge + b) * edge
                count += start[row + z1 + 1] - start[row + z0]
        reach[i] = min(max(bridge * np.sqrt(BLOCK_AREA / count), least), most)
    return reach


@njit(cache=True, nogil=True)
def _splat(cell, place, normal, weight, reach, margin, node, sums, where):
    """Add every point to the nodes in its reach; returns how many nodes were touched, -1 if there is no room for them.

    ``where`` (n,) int32: flat index of the node of each row of ``sums``.
    """
    edge = node.shape[0]
    used = 0
    for i in range(len(cell)):
        r = reach[i]
        nx, ny, nz = normal[i, 0], normal[i, 1], normal[i, 2]
        fx, fy, fz = place[i, 0], place[i, 1], place[i, 2]
        # half extents of the cylinder
        ex = r * np.sqrt(max(1 - nx * nx, np.float32(0))) + BAND * abs(nx)
        ey = r * np.sqrt(max(1 - ny * ny, np.float32(0))) + BAND * abs(ny)
        ez = r * np.sqrt(max(1 - nz * nz, np.float32(0))) + BAND * abs(nz)
        cx, cy, cz = cell[i, 0] + margin, cell[i, 1] + margin, cell[i, 2] + margin
        a0, a1 = int(np.ceil(fx - ex)), int(np.floor(fx + ex))
        b0, b1 = int(np.ceil(fy - ey)), int(np.floor(fy + ey))
        c0, c1 = int(np.ceil(fz - ez)), int(np.floor(fz + ez))
        a0, a1 = max(a0, -cx), min(a1, edge - 1 - cx)
        b0, b1 = max(b0, -cy), min(b1, edge - 1 - cy)
        c0, c1 = max(c0, -cz), min(c1, edge - 1 - cz)
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
                        where[at] = ((cx + a) * edge + cy + b) * edge + cz + c
                        used += 1
                    sums[at, 0] += w
                    sums[at, 1] += w * d
                    sums[at, 2] += w * nx
                    sums[at, 3] += w * ny
                    sums[at, 4] += w * nz
                    sums[at, 5] += 1
                    sums[at, 6] += (ux - d * nx) / r
                    sums[at, 7] += (uy - d * ny) / r
                    sums[at, 8] += (uz - d * nz) / r
    return used


@njit(cache=True, nogil=True)
def _extend(node, sums, where, value):
    """Give the nodes next to those with a value one that continues theirs: beyond a crease, the outer corners of a cell
    that the surface passes can lie out of reach of both faces. Returns the new rows of ``sums`` and ``value``."""
    edge = node.shape[0]
    flat = node.reshape(-1)
    steps = np.array([edge * edge, edge, 1])
    used = len(where)
    added = np.empty(6 * used, np.int32)
    count = 0
    for row in range(used):
        x, y, z = where[row] // (edge * edge), where[row] // edge % edge, where[row] % edge
        for k, at in enumerate((x, y, z)):
            for side in (-1, 1):
                beside = where[row] + side * steps[k]
                if 0 <= at + side < edge and flat[beside] == -1:
                    flat[beside] = used + count
                    added[count] = beside
                    count += 1
    new_sums, new_value = np.zeros((count, sums.shape[1]), np.float32), np.zeros(count, np.float32)
    for new in range(count):
        x, y, z = added[new] // (edge * edge), added[new] // edge % edge, added[new] % edge
        total, heard = 0.0, 0
        for k, at in enumerate((x, y, z)):
            for side in (-1, 1):
                if not 0 <= at + side < edge:
                    continue
                row = flat[added[new] + side * steps[k]]
                if row < 0 or row >= used:
                    continue
                total += value[row] - side * sums[row, 2 + k] / sums[row, 0]
                for m in range(3):
                    new_sums[new, 2 + m] += sums[row, 2 + m] / sums[row, 0]
                heard += 1
        new_value[new] = total / heard
        new_sums[new, 0] = heard
    return new_sums, new_value


def field(points, reach, cells, margin):
    """The :class:`Field` of a tile's points.

    ``reach`` (n,) from :func:`reaches`; ``cells``: of the tile along its edge; ``margin``: nodes beyond the tile.
    """
    edge = cells + 2 * margin
    room = 1 << 16
    used = -1
    while used < 0:  # not enough rows: again with more
        room *= 2
        node = np.full((edge, edge, edge), -1, np.int32)
        sums, where = np.zeros((room, FIELDS), np.float32), np.empty(room, np.int32)
        used = _splat(points.cell, points.place, points.normal, points.weight, reach, margin, node, sums, where)
    sums = sums[:used]
    value = sums[:, 1] / sums[:, 0]
    more_sums, more_value = _extend(node, sums, where[:used], value)
    return Field(node, np.concatenate([sums, more_sums]), np.concatenate([value, more_value]), margin)
