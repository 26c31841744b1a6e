"""Single points that belong to no surface: too few others near them, or off the surface that the others make.

Two points with normals lie on one smooth surface when the line between them is at right angles to the mean of their
normals; on a sphere, a cylinder or a plane of any size that holds exactly. So no surface has to be fitted: each point
asks its neighbours, and a stray a millimetre above a panel gets no for an answer though it has neighbours enough.
"""

import numba
import numpy as np

# Two points agree when they are off by no more than 4 sigma of the difference of two noisy points, plus what normals
# that are wrong by some degrees make of the distance between them (0.1 = 5.7 degrees).
NOISE_FACTOR = 4.0 * np.sqrt(2.0)
SLOPE = 0.1
FACING = 0.5  # cosine: normals within 60 degrees are compared, what faces elsewhere is another surface
ACROSS = 0.34  # cosine of 70 degrees: a normal that far off the surface's own was seen edge on
# A surface sampled at spacing s has pi 3^2 = 28 neighbours within 3 s, ten times fewer where it is seen from afar.
LEAST, LEAST_SHARE = 3, 0.3
# What has too few within 3 s is judged by the points within 15 s, more strictly: glass gives back two points in a
# hundred, at 7 s, which makes 14 there.
WIDE_CELLS = 5
WIDE_LEAST, WIDE_SHARE, WIDE_SLOPE = 6, 0.5, 0.05
ALONE, THIN, SUPPORTED, EDGE_ON = 0, 1, 2, 3


@numba.njit(cache=True)
def support(xyz_mm, normal, start, runs, edge_mm, noise_mm):
    """How each point stands to those within one edge of a cell (3 spacings); arrays as in ``Cells``.

    Returns its state, (n,) uint8: ALONE (off the surface its neighbours make), THIN (too few neighbours to tell),
    SUPPORTED, EDGE_ON (in its neighbours' surface, but its normal lies across it); and the share of the neighbours
    facing the same way that agree with it, in hundredths, (n,) uint8.
    """
    state, share = np.empty(len(xyz_mm), np.uint8), np.zeros(len(xyz_mm), np.uint8)
    allowed = NOISE_FACTOR * noise_mm
    for cell in range(len(runs)):
        for at in range(start[cell], start[cell + 1]):
            facing, agreeing, across = 0, 0, 0
            for run in range(9):
                for other in range(start[runs[cell, run, 0]], start[runs[cell, run, 1]]):
                    if other == at:
                        continue
                    distance2, cosine, height, own = _compare(xyz_mm, normal, at, other)
                    if distance2 > edge_mm * edge_mm:
                        continue
                    slack = allowed + SLOPE * np.sqrt(distance2)
                    if cosine >= FACING:
                        facing += 1
                        agreeing += abs(height) <= slack
                    elif abs(cosine) <= ACROSS:
                        across += abs(own) <= slack
            if agreeing >= LEAST and agreeing >= LEAST_SHARE * facing:
                state[at] = SUPPORTED
            elif across >= 3 * LEAST and facing < LEAST:
                state[at] = EDGE_ON
            elif facing >= 3 * LEAST:
                state[at] = ALONE
            else:
                state[at] = THIN
            share[at] = 100 * agreeing // max(facing, 1)
    return state, share


@numba.njit(cache=True)
def _compare(xyz_mm, normal, at, other):
    """Of two points: squared distance, cosine between normals, height by their mean normal, by the other's normal."""
    dx, dy, dz = (
        xyz_mm[other, 0] - xyz_mm[at, 0],
        xyz_mm[other, 1] - xyz_mm[at, 1],
        xyz_mm[other, 2] - xyz_mm[at, 2],
    )
    ax, ay, az = normal[at, 0], normal[at, 1], normal[at, 2]
    bx, by, bz = normal[other, 0], normal[other, 1], normal[other, 2]
    cosine = ax * bx + ay * by + az * bz
    own = bx * dx + by * dy + bz * dz
    height = (ax * dx + ay * dy + az * dz + own) / np.sqrt(max(2.0 + 2.0 * cosine, 1e-6))
    return dx * dx + dy * dy + dz * dz, cosine, height, own


@numba.njit(cache=True)
def on_thin_surface(xyz_mm, normal, start, index, keys, dims, edge_mm, noise_mm, rows, cell_of_row):
    """Whether points with few neighbours lie on a surface that is sampled thinly: (k,) bool.

    ``rows`` (k,) points; ``cell_of_row`` (k,) their cells; ``keys`` (m,) int64 sorted and ``dims`` (3,) of the grid.
    """
    held = np.zeros(len(rows), np.bool_)
    reach2 = (WIDE_CELLS * edge_mm) ** 2
    allowed = NOISE_FACTOR * noise_mm
    for number in range(len(rows)):
        at, cell = rows[number], cell_of_row[number]
        facing, agreeing = 0, 0
        i, j, k = index[cell, 0], index[cell, 1], index[cell, 2]
        for a in range(max(i - WIDE_CELLS, 0), min(i + WIDE_CELLS + 1, dims[0])):
            for b in range(max(j - WIDE_CELLS, 0), min(j + WIDE_CELLS + 1, dims[1])):
                row = (a * dims[1] + b) * dims[2]
                first = np.searchsorted(keys, row + max(k - WIDE_CELLS, 0))
                last = np.searchsorted(keys, row + min(k + WIDE_CELLS, dims[2] - 1) + 1)
                for other in range(start[first], start[last]):
                    if other == at:
                        continue
                    distance2, cosine, height, _ = _compare(xyz_mm, normal, at, other)
                    if distance2 <= reach2 and cosine >= FACING:
                        facing += 1
                        agreeing += abs(height) <= allowed + WIDE_SLOPE * np.sqrt(distance2)
        held[number] = agreeing >= WIDE_LEAST and agreeing >= WIDE_SHARE * facing
    return held
