"""Vertices on creases: where two or three faces meet, a vertex is moved to the point that lies in all of their planes.

It is the least-squares solution of ``n . (p - v) = 0`` over the points p with normals n around the vertex (T. Ju and
others, Dual contouring of Hermite data, ACM Trans. Graph. 21 (2002)), and does not move in a direction that the
planes do not constrain. A bend with a radius has no such point: every position is much farther from the planes of the
points than from the rounded surface through them, and the vertex is not moved.
"""

from typing import NamedTuple

import numpy as np
from numba import njit

from nightbay.fuse.neighbours import (
    INVERSE_REACH,
    NORMAL_X,
    NORMAL_Y,
    NORMAL_Z,
    OFFSET_X,
    OFFSET_Y,
    OFFSET_Z,
    WEIGHT,
)

FROM_DISPERSION = 0.03  # 1 - length of the mean normal: two faces that meet at 28 degrees, many times a normal's noise
BETTER = 0.5  # ratio of squared misfits beyond noise, planes to rounded surface, below which there is a crease
SOFT = 0.01  # share of the normals' weight; it holds the vertex in directions that the planes do not constrain
# Grid units by which a vertex may leave its cell. The first is small: the vertices of two cells should not meet on a
# crease. The second applies to a vertex on the plane of a face beyond the crease, where there is no surface.
OVERLAP, BEYOND_OVERLAP = 0.3, 1.0


class Motion(NamedTuple):
    """How one vertex moves: ``move`` (3,) from its first position, ``normal`` (3,) at its position, ``step`` (3,) to a
    crease; float64, grid units."""

    move: np.ndarray
    normal: np.ndarray
    step: np.ndarray


class Sums(NamedTuple):
    """Weighted sums over the neighbours of a vertex.

    ``weight`` and ``weight_squared``; ``normal_*``: normals; ``xx`` to ``zz``: products of the normals' components;
    ``plane_*``: normal times distance from the point's plane; ``squared_plane`` and ``squared_rounded``: squared
    distances from the planes and from the rounded surface; ``beyond``: product of two heights, of the neighbour over
    the vertex's plane and over the vertex along its own normal, above 0 where the vertex lies beyond a crease.
    """

    weight: float
    weight_squared: float
    normal_x: float
    normal_y: float
    normal_z: float
    xx: float
    xy: float
    xz: float
    yy: float
    yz: float
    zz: float
    plane_x: float
    plane_y: float
    plane_z: float
    squared_plane: float
    squared_rounded: float
    beyond: float


@njit(cache=True, nogil=True)
def move_to_crease(n: int, table: np.ndarray, vertex: np.ndarray, motion: Motion, noise: float) -> tuple[float, float]:
    """Move a vertex at ``vertex + motion.move`` to the crease around it, if there is one in its cell.

    ``table``: of its n neighbours (:mod:`nightbay.fuse.neighbours`); ``vertex`` (3,) float64 and ``noise``, standard
    deviation of a single point: grid units. On a crease ``motion.move`` is completed and ``motion.normal`` becomes
    zero. Returns the effective number of points and their standard deviation from their planes; a number of 0 where
    there is no crease or it passes through another cell.
    """
    sums = _sum_planes(n, motion.move, motion.normal, table)
    w = sums.weight
    length = np.sqrt(sums.normal_x**2 + sums.normal_y**2 + sums.normal_z**2)
    if w <= 0 or 1 - length / w < FROM_DISPERSION:
        return 0.0, 0.0
    _solve(sums, motion.step)
    overlap = BEYOND_OVERLAP if sums.beyond > 0 else OVERLAP
    for k in range(3):
        in_cell = vertex[k] + motion.move[k] + motion.step[k] - np.floor(vertex[k])
        if in_cell < -overlap or in_cell > 1 + overlap:
            return 0.0, 0.0
    misfit = _misfit_after(sums, motion.step)
    floor = w * noise * noise
    if misfit > floor + BETTER * (sums.squared_rounded - floor):
        return 0.0, 0.0
    for k in range(3):
        motion.move[k] += motion.step[k]
        motion.normal[k] = 0.0
    return w * w / sums.weight_squared, np.sqrt(misfit / w)


@njit(cache=True, nogil=True)
def _solve(sums, step):
    """Fill ``step`` (3,): solves the symmetric normal equations of the planes by their adjugate."""
    soft = SOFT * sums.weight
    a, b, c = sums.xx + soft, sums.xy, sums.xz
    d, e, f = sums.yy + soft, sums.yz, sums.zz + soft
    x, y, z = sums.plane_x, sums.plane_y, sums.plane_z
    A, B, C = d * f - e * e, c * e - b * f, b * e - c * d
    D, E, F = a * f - c * c, b * c - a * e, a * d - b * b
    determinant = a * A + b * B + c * C
    step[0] = (A * x + B * y + C * z) / determinant
    step[1] = (B * x + D * y + E * z) / determinant
    step[2] = (C * x + E * y + F * z) / determinant


@njit(cache=True, nogil=True)
def _misfit_after(sums, step):
    """Squared distance from the planes after the step: before it, less what the step removes."""
    quadratic = (
        sums.xx * step[0] ** 2 + sums.yy * step[1] ** 2 + sums.zz * step[2] ** 2
        + 2 * (sums.xy * step[0] * step[1] + sums.xz * step[0] * step[2] + sums.yz * step[1] * step[2])
    )  # fmt: skip
    along = sums.plane_x * step[0] + sums.plane_y * step[1] + sums.plane_z * step[2]
    return max(sums.squared_plane - 2 * along + quadratic, 0.0)


@njit(cache=True, nogil=True, fastmath=True)
def _sum_planes(n, move, m, table):
    """:class:`Sums` over the n neighbours of a vertex with normal ``m`` that has moved."""
    zero, unity, half = np.float32(0), np.float32(1), np.float32(0.5)
    v0, v1, v2 = np.float32(move[0]), np.float32(move[1]), np.float32(move[2])
    m0, m1, m2 = np.float32(m[0]), np.float32(m[1]), np.float32(m[2])
    ox, oy, oz = table[OFFSET_X], table[OFFSET_Y], table[OFFSET_Z]
    nx, ny, nz = table[NORMAL_X], table[NORMAL_Y], table[NORMAL_Z]
    weight, inverse = table[WEIGHT], table[INVERSE_REACH]
    w_, ww, sx, sy, sz = zero, zero, zero, zero, zero
    xx, xy, xz, yy, yz, zz = zero, zero, zero, zero, zero, zero
    bx, by, bz, planes, rounded, beyond = zero, zero, zero, zero, zero, zero
    for j in range(n):
        ux, uy, uz = ox[j] - v0, oy[j] - v1, oz[j] - v2
        near = max(unity - (ux * ux + uy * uy + uz * uz) * inverse[j], zero)
        w = weight[j] * near * near
        d = nx[j] * ux + ny[j] * uy + nz[j] * uz
        height = m0 * ux + m1 * uy + m2 * uz
        s = half * (d + height)
        w_ += w
        ww += w * w
        sx += w * nx[j]
        sy += w * ny[j]
        sz += w * nz[j]
        xx += w * nx[j] * nx[j]
        xy += w * nx[j] * ny[j]
        xz += w * nx[j] * nz[j]
        yy += w * ny[j] * ny[j]
        yz += w * ny[j] * nz[j]
        zz += w * nz[j] * nz[j]
        bx += w * d * nx[j]
        by += w * d * ny[j]
        bz += w * d * nz[j]
        planes += w * d * d
        rounded += w * s * s
        beyond += w * d * height
    return Sums(
        np.float64(w_), np.float64(ww), np.float64(sx), np.float64(sy), np.float64(sz),
        np.float64(xx), np.float64(xy), np.float64(xz), np.float64(yy), np.float64(yz), np.float64(zz),
        np.float64(bx), np.float64(by), np.float64(bz),
        np.float64(planes), np.float64(rounded), np.float64(beyond),
    )  # fmt: skip
