"""The points around a vertex, gathered into a table that the loops of the vertex projection read column by column."""

from typing import NamedTuple

import numpy as np
from numba import njit

from nightbay.fuse.signed_distance import BAND
from nightbay.fuse.tile_points import TilePoints

MARGIN = 0.25  # grid units by which a point may enter or leave the reach as the vertex moves and its normal turns
OPPOSED = -0.3  # cosine below which a point lies on the other side of a sheet; up to there it may be across a crease

# Rows of the table of neighbours. The first eight are gathered once a vertex, the others follow its position.
OFFSET_X, OFFSET_Y, OFFSET_Z = 0, 1, 2  # from the vertex's first position, grid units
NORMAL_X, NORMAL_Y, NORMAL_Z = 3, 4, 5
WEIGHT = 6  # of the point itself
INVERSE_REACH = 7  # 1 / reach**2
DISTANCE = 8  # of the vertex from the surface through the point
BASE_WEIGHT = 9  # by distance in the tangent plane, normal and segment
FULL_WEIGHT = 10  # times the robust weight
ROWS = 11

# Columns of `PointColumns.attributes`; the first five go into the table from its row NORMAL_X on.
POINT_NORMAL, POINT_WEIGHT, POINT_INVERSE_REACH, POINT_LIMIT, POINT_COLUMNS = 0, 3, 4, 5, 6


class PointColumns(NamedTuple):
    """The values of each point of a tile that the search for neighbours reads.

    ``position`` (n, 3) float64, grid units about the tile's first node; ``attributes`` (n, 6) float32: normal (3),
    weight, 1 / reach**2, and the square of the distance in the vertex's tangent plane up to which it is gathered.
    """

    position: np.ndarray
    attributes: np.ndarray


class Neighbours(NamedTuple):
    """Room for the neighbours of one vertex.

    ``row`` (r,) int32: of each neighbour among the tile's points; ``segment`` (r,) uint8: its segment's number;
    ``table`` (:data:`ROWS`, r) float32.
    """

    row: np.ndarray
    segment: np.ndarray
    table: np.ndarray


def point_columns(points: TilePoints, reach: np.ndarray) -> PointColumns:
    """The :class:`PointColumns` of a tile's points; ``reach`` (n,) float32, grid units."""
    columns = PointColumns(np.empty((len(reach), 3)), np.empty((len(reach), POINT_COLUMNS), np.float32))
    _fill(points, reach, columns)
    return columns


@njit(cache=True, nogil=True)
def _fill(points, reach, columns):
    position, attributes = columns
    for p in range(len(reach)):
        for k in range(3):
            position[p, k] = points.cell[p, k] + np.float64(points.offset[p, k])
            attributes[p, POINT_NORMAL + k] = points.normal[p, k]
        limit = reach[p] + MARGIN
        attributes[p, POINT_WEIGHT] = points.weight[p]
        attributes[p, POINT_INVERSE_REACH] = 1 / (reach[p] * reach[p])
        attributes[p, POINT_LIMIT] = limit * limit


@njit(cache=True, nogil=True)
def with_room(count: int) -> Neighbours:
    """:class:`Neighbours` with room for ``count`` of them."""
    return Neighbours(np.empty(count, np.int32), np.empty(count, np.uint8), np.empty((ROWS, count), np.float32))


@njit(cache=True, nogil=True)
def gather(
    vertex: np.ndarray,
    normal: np.ndarray,
    longest: float,
    points: TilePoints,
    columns: PointColumns,
    found: Neighbours,
) -> int:
    """Fill ``found`` with the points whose reach, enlarged by :data:`MARGIN`, includes a vertex.

    ``vertex`` (3,) grid units and ``normal`` (3,) unit, both float64; ``longest``: greatest reach, grid units;
    ``columns`` of the ``points``. Returns the number of neighbours, or -1 if ``found`` has too little room.
    """
    position, attributes = columns
    row, table, start, edge = found.row, found.table, points.start, points.edge
    low, high = np.empty(3, np.int64), np.empty(3, np.int64)
    for k in range(3):  # the box about the cylinder of the longest reach
        half = (longest + MARGIN) * np.sqrt(max(1 - normal[k] * normal[k], 0.0)) + (BAND + MARGIN) * abs(normal[k])
        low[k] = max(int(np.floor(vertex[k] - half)) + points.halo, 0)
        high[k] = min(int(np.floor(vertex[k] + half)) + points.halo, edge - 1)
    v0, v1, v2, m0, m1, m2 = vertex[0], vertex[1], vertex[2], normal[0], normal[1], normal[2]
    count = 0
    for a in range(low[0], high[0] + 1):
        for b in range(low[1], high[1] + 1):
            flat = (a * edge + b) * edge
            for p in range(start[flat + low[2]], start[flat + high[2] + 1]):
                ux, uy, uz = position[p, 0] - v0, position[p, 1] - v1, position[p, 2] - v2
                d = m0 * ux + m1 * uy + m2 * uz
                if abs(d) > BAND + MARGIN or ux * ux + uy * uy + uz * uz - d * d > attributes[p, POINT_LIMIT]:
                    continue
                if attributes[p, 0] * m0 + attributes[p, 1] * m1 + attributes[p, 2] * m2 <= OPPOSED:
                    continue
                if count == len(row):
                    return -1
                row[count] = p
                table[OFFSET_X, count], table[OFFSET_Y, count], table[OFFSET_Z, count] = ux, uy, uz
                for k in range(POINT_LIMIT):
                    table[NORMAL_X + k, count] = attributes[p, k]
                count += 1
    for j in range(count):
        found.segment[j] = points.segment[row[j]]
    return count
