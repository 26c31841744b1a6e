"""Finds whether the points in a small disc lie in one sheet or in two parallel ones, by their heights on the normal.

The heights are relative to a surface with curvature. They belong to two sheets when the distance between the sheets is
clearly larger than the noise within each and when both lie over one another: at a step or a groove they lie side by
side. Sheets that face in opposite directions, the two sides of a panel, are never compared.
"""

from typing import NamedTuple

import numba
import numpy as np

from nightbay.clean.neighbours import Grid
from nightbay.clean.sheet_fit import TERMS, add_outer, fit_terms, moments, residuals

DISC = 1.3  # radius of a disc in edges of a cell, 4 spacings: 48 points of one sheet
# Only three of 100 discs with the usual number of points have fewer than THIN by chance variation. Such a disc, on a
# thinly sampled surface, is widened until it holds the usual number, up to WIDEST edges of a cell.
THIN, USUAL, WIDEST = 36, 48, 2.0
FACING = 0.8  # cosine: points whose normals lie within 37 degrees of the disc's are one side of one thing
SINGLE = 1.3  # a disc whose points scatter by less than so many times the noise about one sheet has no second
FEWEST = 4  # points of a sheet
# Uniformly distributed heights, divided in two, are 3.5 of their standard deviations apart, normally distributed ones
# 2.7: at 5 there are two sheets.
APART = 5.0
# Two sheets lie over one another where the larger has as many points around points of the smaller as elsewhere. Side by
# side at a step it has about 0.2 times as many there, and over a gap as wide as half the disc 0.35 times.
BESIDE, OVERLAP = 0.35, 0.6
MOST = 1024  # points taken into a disc
ROUNDS = 12  # most rounds in which points are assigned to the nearer sheet, should two assignments alternate
NONE, INNER, OUTER = 0, 1, 2
# Rows of a disc's frame: two tangents, the normal, the centre. Columns of its points: u and v in radii, height along
# the normal, height by the mean of the point's normal and the disc's, mm.
FIRST, SECOND, NORMAL, CENTRE = 0, 1, 2, 3
U, V, HEIGHT, MEAN_HEIGHT = 0, 1, 2, 3
DISTANCE = TERMS  # the term of a fit that is the distance of the sheets


class Disc(NamedTuple):
    """Room for the disc of one cell: ``frame`` (4, 3); ``uvh`` (MOST, 4) of its points; ``rows`` (MOST,) of these among
    all points; ``sheet`` (MOST,) int8, 1 on the outer sheet; ``fit`` (7,) and ``system`` (8, 7, 2) of
    :mod:`sheet_fit`."""

    frame: np.ndarray
    uvh: np.ndarray
    rows: np.ndarray
    sheet: np.ndarray
    fit: np.ndarray
    system: np.ndarray


@numba.njit(cache=True)
def split(
    grid: Grid, use: np.ndarray, noise_mm: float, window: int, sided: bool
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Look for two sheets at every cell; ``use`` (n,) bool: the points that count.

    ``window``: how many cells each way are searched, 1 or 2, which bounds the distance of two sheets and the discs;
    ``sided``: whether normals tell one side of a surface from the other. Returns the distance of the sheets at each
    cell, (m,) float32 mm, 0 for one sheet; the normal that INNER and OUTER go by, (m, 3) float32; and which sheet each
    point of a cell with two lies in, (n,) uint8.
    """
    cells, start, edge_mm = len(grid.keys), grid.start, grid.edge_mm
    apart = np.zeros(cells, np.float32)
    facing = np.zeros((cells, 3), np.float32)
    level = np.zeros(len(grid.xyz_mm), np.uint8)
    disc = Disc(
        np.empty((4, 3)),
        np.empty((MOST, 4)),
        np.empty(MOST, np.int64),
        np.empty(MOST, np.int8),
        np.empty(7),
        np.zeros((8, 7, 2)),
    )
    near = np.zeros(((2 * window + 1) ** 2, 2), np.int64)
    for cell in range(cells):
        if not _reference(grid, use, cell, sided, disc.frame):
            continue
        _advance(grid.keys, grid.dims, window, cell, near)
        count = _gather(grid, use, sided, near, DISC * edge_mm, disc)
        if count < THIN and window >= WIDEST:
            wider = min(np.sqrt(USUAL / max(count, 1)) * DISC, WIDEST)
            count = _gather(grid, use, sided, near, wider * edge_mm, disc)
        if count < 2 * FEWEST or not _two_sheets(disc, count, noise_mm):
            continue
        if disc.fit[DISTANCE] > window * edge_mm:
            continue
        apart[cell] = disc.fit[DISTANCE]
        facing[cell] = disc.frame[NORMAL]
        for at in range(count):
            if start[cell] <= disc.rows[at] < start[cell + 1]:
                level[disc.rows[at]] = OUTER if disc.sheet[at] else INNER
    return apart, facing, level


@numba.njit(cache=True)
def _advance(keys: np.ndarray, dims: np.ndarray, window: int, cell: int, near: np.ndarray) -> None:
    """Move the ranges of the cells within the window, ``near`` ((2 window + 1)^2, 2), on from an earlier cell.

    Keys are sorted, so that ranges only move forward; the empty border of the grid keeps rows apart.
    """
    side = 2 * window + 1
    for step in range(side * side):
        wanted = keys[cell] + ((step // side - window) * dims[1] + step % side - window) * dims[2]
        first, last = near[step, 0], near[step, 1]
        while first < len(keys) and keys[first] < wanted - window:
            first += 1
        last = max(last, first)
        while last < len(keys) and keys[last] <= wanted + window:
            last += 1
        near[step, 0], near[step, 1] = first, last


@numba.njit(cache=True)
def _reference(grid: Grid, use: np.ndarray, cell: int, sided: bool, frame: np.ndarray) -> bool:
    """Fill the frame of a cell, (4, 3), from the points that face as most of them do; False where there is none."""
    xyz_mm, normal, start = grid.xyz_mm, grid.normal, grid.start
    nx, ny, nz = 0.0, 0.0, 0.0
    for at in range(start[cell], start[cell + 1]):
        if use[at]:
            x, y, z = normal[at, 0], normal[at, 1], normal[at, 2]
            side = 1.0 if nx * x + ny * y + nz * z >= 0 else (0.0 if sided else -1.0)
            nx += side * x
            ny += side * y
            nz += side * z
    length = np.sqrt(nx * nx + ny * ny + nz * nz)
    if length < 1.0:
        return False
    nx, ny, nz = nx / length, ny / length, nz / length
    cx, cy, cz, count = 0.0, 0.0, 0.0, 0
    for at in range(start[cell], start[cell + 1]):
        along = nx * normal[at, 0] + ny * normal[at, 1] + nz * normal[at, 2]
        if use[at] and (along if sided else abs(along)) >= FACING:
            cx += xyz_mm[at, 0]
            cy += xyz_mm[at, 1]
            cz += xyz_mm[at, 2]
            count += 1
    if count == 0:
        return False
    frame[NORMAL, 0], frame[NORMAL, 1], frame[NORMAL, 2] = nx, ny, nz
    frame[CENTRE, 0], frame[CENTRE, 1], frame[CENTRE, 2] = cx / count, cy / count, cz / count
    axis = 0 if abs(nx) <= abs(ny) and abs(nx) <= abs(nz) else 1 if abs(ny) <= abs(nz) else 2
    along = frame[NORMAL, axis]
    scale = 1.0 / np.sqrt(1.0 - along * along)
    for k in range(3):
        frame[FIRST, k] = ((1.0 if k == axis else 0.0) - along * frame[NORMAL, k]) * scale
    for k in range(3):
        a, b = (k + 1) % 3, (k + 2) % 3
        frame[SECOND, k] = frame[NORMAL, a] * frame[FIRST, b] - frame[NORMAL, b] * frame[FIRST, a]
    return True


@numba.njit(cache=True)
def _gather(grid: Grid, use: np.ndarray, sided: bool, near: np.ndarray, radius_mm: float, disc: Disc) -> int:
    """Write the points of the disc in its frame, and their rows; returns how many they are.

    The height by the mean of the point's normal and the disc's is constant on a surface of any even curvature.
    """
    xyz_mm, normal, start, frame, uvh = grid.xyz_mm, grid.normal, grid.start, disc.frame, disc.uvh
    count = 0
    ux, uy, uz = frame[0, 0] / radius_mm, frame[0, 1] / radius_mm, frame[0, 2] / radius_mm
    vx, vy, vz = frame[1, 0] / radius_mm, frame[1, 1] / radius_mm, frame[1, 2] / radius_mm
    nx, ny, nz = frame[2, 0], frame[2, 1], frame[2, 2]
    cx, cy, cz = frame[3, 0], frame[3, 1], frame[3, 2]
    for step in range(len(near)):
        for at in range(start[near[step, 0]], start[near[step, 1]]):
            x, y, z = xyz_mm[at, 0] - cx, xyz_mm[at, 1] - cy, xyz_mm[at, 2] - cz
            u, v = x * ux + y * uy + z * uz, x * vx + y * vy + z * vz
            if u * u + v * v > 1.0 or not use[at] or count == MOST:
                continue
            facing = normal[at, 0] * nx + normal[at, 1] * ny + normal[at, 2] * nz
            side = 1.0 if facing >= 0 or sided else -1.0
            facing *= side
            if facing < FACING:
                continue
            uvh[count, U], uvh[count, V] = u, v
            uvh[count, HEIGHT] = x * nx + y * ny + z * nz
            own = side * (x * normal[at, 0] + y * normal[at, 1] + z * normal[at, 2])
            uvh[count, MEAN_HEIGHT] = (uvh[count, HEIGHT] + own) / np.sqrt(2.0 + 2.0 * facing)
            disc.rows[count] = at
            count += 1
    return count


@numba.njit(cache=True)
def _two_sheets(disc: Disc, count: int, noise_mm: float) -> bool:
    """Whether the heights of the disc's first ``count`` points are of two sheets; fills its ``sheet`` and ``fit``."""
    uvh, sheet, fit, system = disc.uvh[:count], disc.sheet[:count], disc.fit, disc.system
    squares = moments(uvh, system)
    squares -= fit_terms(system, fit, TERMS)
    fit[DISTANCE] = 0.0
    if np.sqrt(max(squares, 0.0) / (len(uvh) - TERMS)) < SINGLE * noise_mm:
        return False
    residual = np.empty(len(uvh))
    residuals(uvh, fit, residual)
    # started from heights that need no fit, and, where normals are poor, from those about the single sheet
    for start in range(2):
        _split_heights(uvh[:, MEAN_HEIGHT] if start == 0 else residual, sheet)
        within = _assign(uvh, sheet, fit, system)
        if within >= 0 and fit[DISTANCE] >= APART * max(within, noise_mm) and _over_one_another(uvh, sheet):
            return True
        residuals(uvh, fit, residual)
    return False


@numba.njit(cache=True)
def _split_heights(heights: np.ndarray, sheet: np.ndarray) -> None:
    """Mark in ``sheet`` (n,) as outer the heights (n,) above the threshold with the least scatter on both its sides."""
    order = np.argsort(heights)
    total, count = heights.sum(), len(heights)
    below, best, cut = 0.0, -1.0, 0
    for at in range(count - 1):
        below += heights[order[at]]
        many = at + 1
        between = (below / many - (total - below) / (count - many)) ** 2 * many * (count - many)
        if between > best:
            best, cut = between, many
    for at in range(count):
        sheet[order[at]] = 0 if at < cut else 1


@numba.njit(cache=True)
def _assign(uvh: np.ndarray, sheet: np.ndarray, fit: np.ndarray, system: np.ndarray) -> float:
    """Fit two parallel sheets and give each point to the nearer, until none changes; returns the scatter within them,
    mm, or -1 where one of them runs out of points."""
    residual = np.empty(len(uvh))
    within = -1.0
    for _ in range(ROUNDS):
        add_outer(uvh, sheet, system)
        fit_terms(system, fit, TERMS + 1)
        residuals(uvh, fit, residual)
        changed, outer, squares = 0, 0, 0.0
        for at in range(len(uvh)):
            now = 1 if residual[at] > fit[DISTANCE] / 2 else 0
            changed += now != sheet[at]
            sheet[at] = now
            outer += now
            squares += (residual[at] - now * fit[DISTANCE]) ** 2
        if outer < FEWEST or len(uvh) - outer < FEWEST:
            return -1.0
        within = np.sqrt(squares / max(len(uvh) - TERMS - 1, 1))
        if changed == 0:
            break
    return within


@numba.njit(cache=True)
def _over_one_another(uvh: np.ndarray, sheet: np.ndarray) -> bool:
    """Whether the larger sheet is about as dense around points of the smaller one as in the whole disc.

    Only points whose surroundings lie wholly in the disc are tested.
    """
    outer = 0
    for at in range(len(sheet)):
        outer += sheet[at]
    smaller = 1 if 2 * outer <= len(sheet) else 0
    larger = len(sheet) - outer if smaller else outer
    asked, beside = 0, 0
    for at in range(len(sheet)):
        if sheet[at] != smaller or uvh[at, 0] ** 2 + uvh[at, 1] ** 2 > (1 - BESIDE) ** 2:
            continue
        asked += 1
        for other in range(len(sheet)):
            if sheet[other] != smaller:
                u, v = uvh[other, 0] - uvh[at, 0], uvh[other, 1] - uvh[at, 1]
                beside += u * u + v * v <= BESIDE**2
    return asked >= 2 and beside >= OVERLAP * asked * larger * BESIDE**2
