"""Vertices on creases: where two or three faces meet, a vertex goes to the point that lies in all of their planes.

It is the least-squares solution of ``n . (p - v) = 0`` over the points p with normals n around the vertex (T. Ju and
others, Dual contouring of Hermite data, ACM Trans. Graph. 21 (2002)), and stays where it is in a direction that the
planes leave free. A bend with a radius has no such point: the planes of its points miss every point by far more than
its circles do, and then the vertex is left alone.
"""

import numpy as np
from numba import njit

FROM_DISPERSION = 0.03  # 1 - length of the mean normal: two faces that meet at 28 degrees, many times a normal's noise
BETTER = 0.5  # squared misfit, beyond noise, of the planes against the rounded surface's: below it there is a crease
SOFT = 0.01  # of the normals' weight, holds the vertex where planes leave it free
# Grid units by which a vertex may leave its cell: little, since two cells' vertices should not meet on a crease; a
# whole one if it stands on one face's plane beyond the crease, where there is no surface at all.
OVERLAP, BEYOND_OVERLAP = 0.3, 1.0


@njit(cache=True, nogil=True, fastmath=True)
def _sums(n, move, m, table, sums):
    """Sums over the n neighbours (rows of :mod:`fuse.vertex_projection`) of a moved vertex: weight, its square,
    normals (3), products of normals (xx, xy, xz, yy, yz, zz), normal times distance (3), squared distance from the
    planes and from the rounded surface with normal m; and the product of two heights, of the neighbour over the
    vertex's plane and over the vertex along its own normal, above 0 where the vertex stands beyond a crease."""
    zero, one, half = np.float32(0), np.float32(1), np.float32(0.5)
    v0, v1, v2 = np.float32(move[0]), np.float32(move[1]), np.float32(move[2])
    m0, m1, m2 = np.float32(m[0]), np.float32(m[1]), np.float32(m[2])
    ox, oy, oz, nx, ny, nz = table[0], table[1], table[2], table[3], table[4], table[5]
    weight, inverse = table[6], table[7]
    w_, ww, sx, sy, sz = zero, zero, zero, zero, zero
    xx, xy, xz, yy, yz, zz = zero, zero, zero, zero, zero, zero
    bx, by, bz, planes, rounded, beyond = zero, zero, zero, zero, zero, zero
    for j in range(n):
        ux, uy, uz = ox[j] - v0, oy[j] - v1, oz[j] - v2
        near = max(one - (ux * ux + uy * uy + uz * uz) * inverse[j], zero)
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
    sums[0], sums[1], sums[2], sums[3], sums[4] = w_, ww, sx, sy, sz
    sums[5], sums[6], sums[7], sums[8], sums[9], sums[10] = xx, xy, xz, yy, yz, zz
    sums[11], sums[12], sums[13], sums[14], sums[15], sums[16] = bx, by, bz, planes, rounded, beyond


@njit(cache=True, nogil=True)
def sharpen(n, move, m, vertex, noise, table, sums, step):
    """Work out the ``step`` (3,) of a vertex at ``vertex + move`` to the crease around it.

    ``noise``: one point's, grid units. Returns ``(count, sigma)``, points by weight and their standard deviation from
    their planes there; a count of 0 where there is no crease or it passes through another cell.
    """
    _sums(n, move, m, table, sums)
    w = sums[0]
    if w <= 0 or 1 - np.sqrt(sums[2] ** 2 + sums[3] ** 2 + sums[4] ** 2) / w < FROM_DISPERSION:
        return 0.0, 0.0
    soft = SOFT * w
    a, b, c = sums[5] + soft, sums[6], sums[7]
    d, e, f = sums[8] + soft, sums[9], sums[10] + soft
    x, y, z = sums[11], sums[12], sums[13]
    # solve the symmetric system by its adjugate
    A, B, C = d * f - e * e, c * e - b * f, b * e - c * d
    D, E, F = a * f - c * c, b * c - a * e, a * d - b * b
    determinant = a * A + b * B + c * C
    step[0] = (A * x + B * y + C * z) / determinant
    step[1] = (B * x + D * y + E * z) / determinant
    step[2] = (C * x + E * y + F * z) / determinant
    overlap = BEYOND_OVERLAP if sums[16] > 0 else OVERLAP
    for k in range(3):
        place = vertex[k] + move[k] + step[k] - np.floor(vertex[k])
        if place < -overlap or place > 1 + overlap:
            return 0.0, 0.0
    # squared misfit of the planes after the step: before it, less what the step takes away
    quadratic = (
        sums[5] * step[0] ** 2 + sums[8] * step[1] ** 2 + sums[10] * step[2] ** 2
        + 2 * (sums[6] * step[0] * step[1] + sums[7] * step[0] * step[2] + sums[9] * step[1] * step[2])
    )  # fmt: skip
    left = max(sums[14] - 2 * (x * step[0] + y * step[1] + z * step[2]) + quadratic, 0.0)
    floor = w * noise * noise
    if left > floor + BETTER * (sums[15] - floor):
        return 0.0, 0.0
    return w * w / sums[1], np.sqrt(left / w)
