"""The nearest point of a surface for each of many points, with memory that grows with the points, not the faces."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numba import njit

from nightbay.meshes import surface
from nightbay.meshes.surface import Surface

MOST_CELLS = 4_000_000  # of the grid that the points are sorted into: 16 MB
WIDER = 4.0  # factor of reach from one search to the next


@dataclass(frozen=True)
class Nearest:
    """For each point: ``distance_mm`` (n,) to the surface, ``face`` (n,) int64 nearest, ``point_mm`` (n, 3) there."""

    distance_mm: np.ndarray
    face: np.ndarray
    point_mm: np.ndarray


class Grid(NamedTuple):
    """Points (n, 3) mm sorted by the cubic cell of a grid that they lie in: cell c holds ``points[start[c]:start[c +
    1]]``. ``low`` (3,): the grid's corner; ``edge``: of a cell, mm; ``dims`` (3,) int64: cells along each axis;
    ``reach``: how far from a face its points are looked for, mm."""

    points: np.ndarray
    start: np.ndarray
    low: np.ndarray
    edge: float
    dims: np.ndarray
    reach: float


class Best(NamedTuple):
    """The nearest surface point found so far for each point of a :class:`Grid`: ``distance2`` (n,) mm2, ``face`` (n,),
    ``point`` (n, 3) on that face."""

    distance2: np.ndarray
    face: np.ndarray
    point: np.ndarray


def nearest(points_mm: np.ndarray, measured: Surface, reach_mm: float, most_mm: float = np.inf) -> Nearest:
    """The nearest point of a surface for each of ``points_mm``, (n, 3), as :class:`Nearest`.

    ``reach_mm``: distance that is expected to suffice for most; the others are searched again, four times as far, up to
    ``most_mm``: the distance of points further away is infinite or more than that. The face columns of the surface may
    lie on disk.
    """
    count = len(points_mm)
    found = Nearest(np.full(count, np.inf), np.full(count, -1, np.int64), np.array(points_mm, np.float64))
    rows = np.arange(count)
    while len(rows) and len(measured.faces):
        _search(found, rows, np.asarray(points_mm, np.float64)[rows], measured, reach_mm)
        if reach_mm >= most_mm:
            break
        rows = rows[found.distance_mm[rows] > reach_mm]
        reach_mm = min(reach_mm * WIDER, most_mm)
    return found


def _search(found: Nearest, rows: np.ndarray, points_mm: np.ndarray, measured: Surface, reach_mm: float) -> None:
    """For every face, search the points within reach, which are ``rows`` of ``found``."""
    grid, order = _grid(points_mm, reach_mm)
    sorted_rows = rows[order]
    best = Best(found.distance_mm[sorted_rows] ** 2, found.face[sorted_rows], found.point_mm[sorted_rows])
    for span in surface.spans(len(measured.faces)):
        _look_from_faces(measured.vertices_mm, measured.faces[span], span.start, grid, best)
    found.distance_mm[sorted_rows] = np.sqrt(best.distance2)
    found.face[sorted_rows] = best.face
    found.point_mm[sorted_rows] = best.point


def _grid(points: np.ndarray, reach_mm: float) -> tuple[Grid, np.ndarray]:
    """Points, (n, 3), in a grid whose cells are as wide as the reach or wider, and their order there, (n,)."""
    low, extent = points.min(axis=0), np.ptp(points, axis=0) + 1.0
    edge = max(reach_mm, (np.prod(extent) / MOST_CELLS) ** (1 / 3))
    while np.prod(np.ceil(extent / edge)) > MOST_CELLS:  # a flat box has more cells than its volume suggests
        edge *= 1.2
    dims = np.ceil(extent / edge).astype(np.int64)
    index = np.floor((points - low) / edge).astype(np.int64)
    cell = (index[:, 0] * dims[1] + index[:, 1]) * dims[2] + index[:, 2]
    order = np.argsort(cell, kind="stable")
    start = np.zeros(np.prod(dims) + 1, np.int32)
    np.cumsum(np.bincount(cell, minlength=len(start) - 1), out=start[1:])
    return Grid(points[order], start, low, float(edge), dims, float(reach_mm)), order


@njit(cache=True)
def _look_from_faces(vertices, faces, first_face, grid, best):
    """For every face, in order, the points in the cells that its box, wider by the reach, touches."""
    corner, least, most, on = np.empty((3, 3)), np.empty(3), np.empty(3), np.empty(3)
    first, last = np.empty(3, np.int64), np.empty(3, np.int64)
    points, start, dims = grid.points, grid.start, grid.dims
    for face in range(len(faces)):
        for k in range(3):
            for axis in range(3):
                corner[k, axis] = vertices[faces[face, k], axis]
        if not _cells_of_box(corner, grid, least, most, first, last):
            continue
        for i in range(first[0], last[0] + 1):
            for j in range(first[1], last[1] + 1):
                row = (i * dims[1] + j) * dims[2]
                for at in range(start[row + first[2]], start[row + last[2] + 1]):
                    x, y, z = points[at, 0], points[at, 1], points[at, 2]
                    if x < least[0] or x > most[0] or y < least[1] or y > most[1] or z < least[2] or z > most[2]:
                        continue
                    square = _closest_point(corner, x, y, z, on)
                    if square < best.distance2[at]:
                        best.distance2[at] = square
                        best.face[at] = first_face + face
                        for axis in range(3):
                            best.point[at, axis] = on[axis]


@njit(cache=True)
def _cells_of_box(corner, grid, least, most, first, last):
    """Write the box of a triangle, wider by the reach, to ``least`` and ``most`` and its cells to ``first`` and
    ``last``, (3,) each; returns whether any of them is in the grid."""
    for axis in range(3):
        p, q, r = corner[0, axis], corner[1, axis], corner[2, axis]
        least[axis] = min(p, q, r) - grid.reach
        most[axis] = max(p, q, r) + grid.reach
        first[axis] = max(np.int64(np.floor((least[axis] - grid.low[axis]) / grid.edge)), 0)
        last[axis] = min(np.int64(np.floor((most[axis] - grid.low[axis]) / grid.edge)), grid.dims[axis] - 1)
        if first[axis] > last[axis]:
            return False
    return True


@njit(cache=True)
def _closest_point(corner, x, y, z, on):
    """Write the point of a triangle, (3, 3), nearest to (x, y, z) to ``on``, (3,); returns the squared distance."""
    ux, uy, uz = corner[1, 0] - corner[0, 0], corner[1, 1] - corner[0, 1], corner[1, 2] - corner[0, 2]
    vx, vy, vz = corner[2, 0] - corner[0, 0], corner[2, 1] - corner[0, 1], corner[2, 2] - corner[0, 2]
    px, py, pz = x - corner[0, 0], y - corner[0, 1], z - corner[0, 2]
    uu, uv, vv = ux * ux + uy * uy + uz * uz, ux * vx + uy * vy + uz * vz, vx * vx + vy * vy + vz * vz
    up, vp = ux * px + uy * py + uz * pz, vx * px + vy * py + vz * pz
    whole = uu * vv - uv * uv
    s, t = vv * up - uv * vp, uu * vp - uv * up
    if whole > 0.0 and s >= 0.0 and t >= 0.0 and s + t <= whole:
        s, t = s / whole, t / whole
    else:  # nearest on one of the sides
        best = np.inf
        along = min(max(up / uu, 0.0), 1.0) if uu > 0.0 else 0.0
        s, t = along, 0.0
        best = along * (along * uu - 2 * up)
        along = min(max(vp / vv, 0.0), 1.0) if vv > 0.0 else 0.0
        value = along * (along * vv - 2 * vp)
        if value < best:
            best, s, t = value, 0.0, along
        ww, wp = uu - 2 * uv + vv, (vp - up) - (uv - uu)
        along = min(max(wp / ww, 0.0), 1.0) if ww > 0.0 else 0.0
        value = (uu - 2 * up) + along * (along * ww - 2 * wp)
        if value < best:
            s, t = 1.0 - along, along
    on[0] = corner[0, 0] + s * ux + t * vx
    on[1] = corner[0, 1] + s * uy + t * vy
    on[2] = corner[0, 2] + s * uz + t * vz
    return (x - on[0]) ** 2 + (y - on[1]) ** 2 + (z - on[2]) ** 2
