"""Tells whether the points near a place lie in one sheet or in two parallel ones, from their heights along the normal.

In a small disc the heights are taken about a surface with curvature. They are of two sheets when the distance between
these stands out of the noise within each and when both lie over one another: at a step or a groove they lie side by
side. Sheets that face opposite ways, the two sides of a panel, never meet in one disc.
"""

import numba
import numpy as np

DISC = 1.3  # radius of a disc in edges of a cell, 4 spacings: 48 points of one sheet
FACING = 0.8  # cosine: points whose normals lie within 37 degrees of the disc's are one side of one thing
SINGLE = 1.3  # a disc whose points scatter less than that times the noise about one sheet holds no second
FEWEST = 4  # points of a sheet
# Evenly spread heights, cut in two, lie 3.5 of their standard deviations apart, normally spread ones 2.7; 5 is two.
APART = 5.0
# Two sheets lie over one another where the larger is as thick about points of the smaller as elsewhere. Side by side
# at a step it is about 0.2 as thick there, and over a gap as wide as half the disc 0.35.
BESIDE, OVERLAP = 0.35, 0.6
MOST = 1024  # points taken into a disc
NONE, INNER, OUTER = 0, 1, 2


@numba.njit(cache=True)
def split(xyz_mm, normal, start, index, keys, dims, edge_mm, use, noise_mm, window, sided):
    """Look for two sheets at every cell; arrays as in ``Cells``, ``use`` (n,) bool: the points that count.

    ``window``: how many cells each way are searched, which bounds the distance of two sheets; ``sided``: whether
    normals tell one side of a surface from the other. Returns the distance of the sheets at each cell, (m,) float32
    mm, 0 for one sheet; the normal that INNER and OUTER go by, (m, 3) float32; and which sheet each point of a cell
    with two lies in, (n,) uint8.
    """
    apart = np.zeros(len(index), np.float32)
    facing = np.zeros((len(index), 3), np.float32)
    level = np.zeros(len(xyz_mm), np.uint8)
    uvh, rows, sheet = np.empty((MOST, 4)), np.empty(MOST, np.int64), np.empty(MOST, np.int8)
    frame, fit = np.empty((4, 3)), np.empty(7)
    for cell in range(len(index)):
        if not _reference(xyz_mm, normal, start, use, cell, sided, frame):
            continue
        count = _gather(xyz_mm, normal, start, index, keys, dims, edge_mm, use, window, cell, sided, frame, uvh, rows)
        if count < 2 * FEWEST or not _two_sheets(uvh[:count], sheet[:count], fit, noise_mm):
            continue
        if fit[6] > window * edge_mm:
            continue
        apart[cell] = fit[6]
        facing[cell] = frame[2]
        for at in range(count):
            if start[cell] <= rows[at] < start[cell + 1]:
                level[rows[at]] = OUTER if sheet[at] else INNER
    return apart, facing, level


@numba.njit(cache=True)
def _reference(xyz_mm, normal, start, use, cell, sided, frame):
    """Fill the frame of a cell, (4, 3): two tangents, normal, centre, of the points that face as most of them do."""
    total = np.zeros(3)
    for at in range(start[cell], start[cell + 1]):
        if use[at]:
            side = 1.0 if (total * normal[at]).sum() >= 0 else (0.0 if sided else -1.0)
            total += side * normal[at]
    if (total**2).sum() < 1.0:
        return False
    total /= np.sqrt((total**2).sum())
    centre, count = np.zeros(3), 0
    for at in range(start[cell], start[cell + 1]):
        along = (total * normal[at]).sum()
        if use[at] and (along if sided else abs(along)) >= FACING:
            centre += xyz_mm[at]
            count += 1
    if count == 0:
        return False
    frame[2], frame[3] = total, centre / count
    axis = np.argmin(np.abs(total))
    first = -total[axis] * total
    first[axis] += 1.0
    frame[0] = first / np.sqrt((first**2).sum())
    frame[1] = np.cross(total, frame[0])
    return True


@numba.njit(cache=True)
def _gather(xyz_mm, normal, start, index, keys, dims, edge_mm, use, window, cell, sided, frame, uvh, rows):
    """Points of the disc in its frame, u and v in radii, height in mm, the same by the mean of the point's normal and
    the disc's (constant on a surface of any even curvature), and their rows; returns how many."""
    count, radius = 0, DISC * edge_mm
    i, j, k = index[cell, 0], index[cell, 1], index[cell, 2]
    for a in range(max(i - window, 0), min(i + window + 1, dims[0])):
        for b in range(max(j - window, 0), min(j + window + 1, dims[1])):
            row = (a * dims[1] + b) * dims[2]
            first = np.searchsorted(keys, row + max(k - window, 0))
            last = np.searchsorted(keys, row + min(k + window, dims[2] - 1) + 1)
            for at in range(start[first], start[last]):
                if not use[at] or count == MOST:
                    continue
                x, y, z = xyz_mm[at, 0] - frame[3, 0], xyz_mm[at, 1] - frame[3, 1], xyz_mm[at, 2] - frame[3, 2]
                facing = normal[at, 0] * frame[2, 0] + normal[at, 1] * frame[2, 1] + normal[at, 2] * frame[2, 2]
                side = 1.0 if facing >= 0 or sided else -1.0
                facing *= side
                u = (x * frame[0, 0] + y * frame[0, 1] + z * frame[0, 2]) / radius
                v = (x * frame[1, 0] + y * frame[1, 1] + z * frame[1, 2]) / radius
                if facing >= FACING and u * u + v * v <= 1.0:
                    uvh[count, 0], uvh[count, 1] = u, v
                    uvh[count, 2] = x * frame[2, 0] + y * frame[2, 1] + z * frame[2, 2]
                    own = side * (x * normal[at, 0] + y * normal[at, 1] + z * normal[at, 2])
                    uvh[count, 3] = (uvh[count, 2] + own) / np.sqrt(2.0 + 2.0 * facing)
                    rows[count] = at
                    count += 1
    return count


@numba.njit(cache=True)
def _two_sheets(uvh, sheet, fit, noise_mm):
    """Whether the heights are of two sheets; fills ``sheet`` (k,), 1: outer, and ``fit`` (7,), last the distance."""
    sheet[:] = 0
    residual = np.empty(len(uvh))
    _fit(uvh, sheet, fit, 6)
    fit[6] = 0.0
    spread = np.sqrt(_residuals(uvh, fit, residual) / (len(uvh) - 6))
    if spread < SINGLE * noise_mm:
        return False
    # started from heights that need no fit, and, where normals are poor, from those about the single sheet
    for start in range(2):
        _cut_in_two(uvh[:, 3] if start == 0 else residual, sheet)
        within = _settle(uvh, sheet, fit)
        if within >= 0 and fit[6] >= APART * max(within, noise_mm) and _over_one_another(uvh, sheet):
            return True
        _residuals(uvh, fit, residual)
    return False


@numba.njit(cache=True)
def _cut_in_two(heights, sheet):
    """Mark as outer what lies above the cut that leaves the least scatter on both sides of it."""
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
def _settle(uvh, sheet, fit):
    """Fit two parallel sheets and give each point to the nearer, until none changes; returns the scatter within them,
    mm, or -1 where one of them runs out of points."""
    residual = np.empty(len(uvh))
    within = -1.0
    for _ in range(12):
        _fit(uvh, sheet, fit, 7)
        _residuals(uvh, fit, residual)
        changed, outer, squares = 0, 0, 0.0
        for at in range(len(uvh)):
            now = 1 if residual[at] > fit[6] / 2 else 0
            changed += now != sheet[at]
            sheet[at] = now
            outer += now
            squares += (residual[at] - now * fit[6]) ** 2
        if outer < FEWEST or len(uvh) - outer < FEWEST:
            return -1.0
        within = np.sqrt(squares / max(len(uvh) - 7, 1))
        if changed == 0:
            break
    return within


@numba.njit(cache=True)
def _over_one_another(uvh, sheet):
    """Whether points of the larger sheet lie beside those of the smaller one as thickly as in the whole disc.

    Only points whose surroundings lie wholly in the disc are asked.
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


@numba.njit(cache=True)
def _term(uvh, sheet, at, term):
    u, v = uvh[at, 0], uvh[at, 1]
    if term == 0:
        return 1.0
    if term == 1:
        return u
    if term == 2:
        return v
    if term == 3:
        return u * u
    if term == 4:
        return u * v
    if term == 5:
        return v * v
    return float(sheet[at])


@numba.njit(cache=True)
def _fit(uvh, sheet, fit, terms):
    """Least squares of h by 1, u, v, u2, uv, v2 and, with seven terms, the sheet; into ``fit``."""
    matrix, right, row = np.zeros((terms, terms)), np.zeros(terms), np.empty(terms)
    for at in range(len(uvh)):
        for a in range(terms):
            row[a] = _term(uvh, sheet, at, a)
        for a in range(terms):
            right[a] += row[a] * uvh[at, 2]
            for b in range(a + 1):
                matrix[a, b] += row[a] * row[b]
    for a in range(terms):  # Cholesky, with a trace of damping for points in a line
        matrix[a, a] += 1e-9 * len(uvh)
        for b in range(a + 1):
            total = matrix[a, b]
            for c in range(b):
                total -= matrix[a, c] * matrix[b, c]
            matrix[a, b] = np.sqrt(max(total, 1e-12)) if a == b else total / matrix[b, b]
    for a in range(terms):
        for b in range(a):
            right[a] -= matrix[a, b] * right[b]
        right[a] /= matrix[a, a]
    for a in range(terms - 1, -1, -1):
        for b in range(a + 1, terms):
            right[a] -= matrix[b, a] * right[b]
        right[a] /= matrix[a, a]
        fit[a] = right[a]


@numba.njit(cache=True)
def _residuals(uvh, fit, residual):
    """Heights above the inner sheet into ``residual``; returns the sum of their squares."""
    squares = 0.0
    for at in range(len(uvh)):
        u, v = uvh[at, 0], uvh[at, 1]
        surface = fit[0] + fit[1] * u + fit[2] * v + fit[3] * u * u + fit[4] * u * v + fit[5] * v * v
        residual[at] = uvh[at, 2] - surface
        squares += residual[at] ** 2
    return squares
