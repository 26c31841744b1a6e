"""Single points that belong to no surface: they have too few neighbours, or lie off the surface of their neighbours.

Two points with normals lie on one smooth surface when the line between them is at right angles to the mean of their
normals. On a sphere, a cylinder or a plane of any size this is exact. So no surface has to be fitted: each point is
compared with its neighbours, and an outlier a millimetre above a panel disagrees with them, however many they are.
"""

import numba
import numpy as np

from nightbay.clean.neighbours import Cells, Grid

# Two points agree when their height difference is at most 4 sigma of the difference of two noisy points, plus a share
# of their distance for the error of normals by some degrees (0.1 = 5.7 degrees).
NOISE_FACTOR = 4.0 * np.sqrt(2.0)
SLOPE = 0.05
FACING = 0.5  # cosine: normals within 60 degrees are compared, what lies at a larger angle is another surface
ACROSS = 0.34  # cosine of 70 degrees: a point with a normal that far off the surface's was seen edge on
MIDDLE = 0.3  # of 3 spacings: how far off their mean a point lies in the middle of others; at a crease it is 0.42
# A surface sampled at spacing s has pi 3^2 = 28 neighbours within 3 s, ten times fewer where it is seen from afar.
LEAST, LEAST_SHARE = 3, 0.15
# A point that fails is judged again by a larger neighbourhood, more strictly (1.1 degrees). Where neighbours are few,
# it is 15 s: glass returns two points of a hundred, 7 s apart, which makes 14 there. Where they form another surface,
# it is 6 s: the bottom of a door gap is a strip.
FAR_SLOPE = 0.02
# A surface continues and a clump does not: some neighbours must lie in the outer half of the distance.
FAR_CELLS, FAR_LEAST, FAR_OUTER = 5, 6, 4
STRIP_CELLS, STRIP_LEAST, STRIP_OUTER = 2, 5, 3
# In a clump of many points, some always lie in one plane by coincidence. So at least half as many neighbours must agree
# as disagree. Neighbours that are firmly on a surface of their own do not count, as a panel beside glass.
FIRM, AGAINST = 50, 0.5
OUTLIER, THIN, SUPPORTED, EDGE_ON = 0, 1, 2, 3


def judge(cells: Cells, noise_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Whether each point of :class:`~nightbay.clean.neighbours.Cells` agrees with its neighbours.

    Returns the state, (n,) uint8: SUPPORTED by neighbours; THIN, on a surface with few points, which only a larger
    neighbourhood shows; OUTLIER; or EDGE_ON, in its neighbours' surface with a normal that lies across it. The second
    array, (n,) uint8, is the share, in percent, of the neighbours with like normals that agree.
    """
    grid = cells.grid
    state, share = _support(grid, noise_mm)
    firm = (state == SUPPORTED) & (share >= FIRM)
    for doubtful, window, least, outer, passed in (
        (THIN, FAR_CELLS, FAR_LEAST, FAR_OUTER, THIN),
        (OUTLIER, STRIP_CELLS, STRIP_LEAST, STRIP_OUTER, SUPPORTED),
    ):
        rows = np.flatnonzero(state == doubtful)
        cell = np.searchsorted(cells.start, rows, side="right") - 1
        agree, against = _agreeing(grid, noise_mm, rows, cell, window, firm)
        held = (agree.sum(axis=1) >= least) & (agree[:, 1] >= outer) & (agree.sum(axis=1) >= AGAINST * against)
        state[rows] = np.where(held, passed, OUTLIER)
    return state, share


@numba.njit(cache=True)
def _support(grid: Grid, noise_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """First judgement, by the points within one edge of a cell (3 spacings): state and share as in :func:`judge`, where
    OUTLIER means off the surface that the neighbours make, and THIN too few neighbours to tell."""
    facing, agreeing, across, beside = _count_neighbours(grid, NOISE_FACTOR * noise_mm)
    count, edge_mm = len(grid.xyz_mm), grid.edge_mm
    state, share = np.empty(count, np.uint8), np.zeros(count, np.uint8)
    for at in range(count):
        if agreeing[at] >= LEAST and agreeing[at] >= LEAST_SHARE * facing[at]:
            state[at] = SUPPORTED
        elif across[at] >= 3 * LEAST and facing[at] < LEAST and _amid(beside[at], across[at], edge_mm):
            state[at] = EDGE_ON
        elif facing[at] >= 3 * LEAST:
            state[at] = OUTLIER
        else:
            state[at] = THIN
        share[at] = 100 * agreeing[at] // max(facing[at], 1)
    return state, share


@numba.njit(cache=True)
def _amid(beside, count, edge_mm):
    """Whether a point lies in the middle of ``count`` others; ``beside`` (3,) mm: the sum of the vectors to them."""
    return beside[0] ** 2 + beside[1] ** 2 + beside[2] ** 2 <= (MIDDLE * edge_mm * count) ** 2


@numba.njit(cache=True)
def _count_neighbours(grid: Grid, allowed_mm: float) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Of each point's neighbours within one edge of a cell, how many face alike, how many of these agree, how many have
    it in their surface though it faces across, (n,) int32 each, and the sum of the vectors to these, (n, 3) float32 mm.

    Each pair of points is looked at once, from the one that comes first.
    """
    xyz_mm, normal, start, runs, edge_mm = grid.xyz_mm, grid.normal, grid.start, grid.runs, grid.edge_mm
    facing, agreeing = np.zeros(len(xyz_mm), np.int32), np.zeros(len(xyz_mm), np.int32)
    across, beside = np.zeros(len(xyz_mm), np.int32), np.zeros((len(xyz_mm), 3), np.float32)
    reach2 = edge_mm * edge_mm
    for cell in range(len(runs)):
        for at in range(start[cell], start[cell + 1]):
            x, y, z = xyz_mm[at, 0], xyz_mm[at, 1], xyz_mm[at, 2]
            for run in range(4, 9):  # the others come before it
                for other in range(max(start[runs[cell, run, 0]], at + 1), start[runs[cell, run, 1]]):
                    dx, dy, dz = xyz_mm[other, 0] - x, xyz_mm[other, 1] - y, xyz_mm[other, 2] - z
                    if dx * dx + dy * dy + dz * dz > reach2:
                        continue
                    distance2, cosine, height, by_at, by_other = _compare(xyz_mm, normal, at, other)
                    slack = allowed_mm + SLOPE * np.sqrt(distance2)
                    if cosine >= FACING:
                        facing[at] += 1
                        facing[other] += 1
                        if abs(height) <= slack:
                            agreeing[at] += 1
                            agreeing[other] += 1
                    elif cosine <= ACROSS:
                        if abs(by_other) <= slack:
                            _add(across, beside, at, dx, dy, dz)
                        if abs(by_at) <= slack:
                            _add(across, beside, other, -dx, -dy, -dz)
    return facing, agreeing, across, beside


@numba.njit(cache=True)
def _add(across, beside, at, dx, dy, dz):
    across[at] += 1
    beside[at, 0] += dx
    beside[at, 1] += dy
    beside[at, 2] += dz


@numba.njit(cache=True)
def _compare(xyz_mm, normal, at, other):
    """Of two points: squared distance, cosine between normals, height over one another by the mean of their normals, by
    the normal of the first, by that of the other.

    Which side a normal points to does not count: exports and estimates get it wrong in patches.
    """
    dx, dy, dz = (
        xyz_mm[other, 0] - xyz_mm[at, 0],
        xyz_mm[other, 1] - xyz_mm[at, 1],
        xyz_mm[other, 2] - xyz_mm[at, 2],
    )
    ax, ay, az = normal[at, 0], normal[at, 1], normal[at, 2]
    bx, by, bz = normal[other, 0], normal[other, 1], normal[other, 2]
    cosine = ax * bx + ay * by + az * bz
    if cosine < 0:
        bx, by, bz, cosine = -bx, -by, -bz, -cosine
    first, second = ax * dx + ay * dy + az * dz, bx * dx + by * dy + bz * dz
    height = (first + second) / np.sqrt(max(2.0 + 2.0 * cosine, 1e-6))
    return dx * dx + dy * dy + dz * dz, cosine, height, first, second


@numba.njit(cache=True)
def _agreeing(
    grid: Grid, noise_mm: float, rows: np.ndarray, cell_of_row: np.ndarray, window: int, firm: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """How many points within ``window`` edges of a cell agree with each of ``rows``, to a stricter slope: (k, 2) int64,
    those in the inner half of the distance and those in the outer; and how many do not, (k,), of those not ``firm``.

    ``cell_of_row`` (k,): the cells of these points; ``firm`` (n,) bool.
    """
    xyz_mm, normal, start, index = grid.xyz_mm, grid.normal, grid.start, grid.cell_index
    keys, dims, edge_mm = grid.keys, grid.dims, grid.edge_mm
    agree, against = np.zeros((len(rows), 2), np.int64), np.zeros(len(rows), np.int64)
    reach2 = (window * edge_mm) ** 2
    allowed = NOISE_FACTOR * noise_mm
    side = 2 * window + 1
    near = np.zeros((side * side, 2), np.int64)  # rows are sorted, so that all ranges of cells only move forward
    for number in range(len(rows)):
        at, cell = rows[number], cell_of_row[number]
        i, j, k = index[cell, 0], index[cell, 1], index[cell, 2]
        for a in range(max(i - window, 0), min(i + window + 1, dims[0])):
            for b in range(max(j - window, 0), min(j + window + 1, dims[1])):
                row, step = (a * dims[1] + b) * dims[2], (a - i + window) * side + b - j + window
                first, last = near[step, 0], near[step, 1]
                first = _forward(keys, first, row + max(k - window, 0))
                last = _forward(keys, max(last, first), row + min(k + window, dims[2] - 1) + 1)
                near[step, 0], near[step, 1] = first, last
                for other in range(start[first], start[last]):
                    if other == at:
                        continue
                    distance2, cosine, height, _, _ = _compare(xyz_mm, normal, at, other)
                    if distance2 > reach2 or cosine < FACING:
                        continue
                    if abs(height) <= allowed + FAR_SLOPE * np.sqrt(distance2):
                        agree[number, 1 if 4 * distance2 > reach2 else 0] += 1
                    elif not firm[other]:
                        against[number] += 1
    return agree, against


@numba.njit(cache=True)
def _forward(keys, at, wanted):
    """The first of the sorted keys from ``at`` on that is not below ``wanted``."""
    while at < len(keys) and keys[at] < wanted:
        at += 1
    return at
