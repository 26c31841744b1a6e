"""Brings vertices onto the points that bear on them, and says how well they do: count, spread, confidence, colour.

A vertex v with normal m is moved along m until the weighted mean of the points' distances is zero. The distance of a
point p with normal n is taken with the mean of both normals, (n + m) . (v - p) / 2, which is exactly zero for any two
points of a sphere: a curved surface is not shifted by the width of the average, as it would be with either normal alone
(S. Rusinkiewicz, A symmetric objective function for ICP, ACM Trans. Graph. 38 (2019), uses the same property).

Points of the other side of a panel, or across a crease, have other normals and do not count. Each segment's points are
weighted by how closely they lie together around the vertex, so that a noisy, grazing or badly placed pass yields to a
better one.
"""

import numpy as np
from numba import njit

from nightbay.fuse.crease import sharpen
from nightbay.fuse.signed_distance import BAND

ROUNDS = 3  # of moving along the normal; the move of the third is below a hundredth of a grid unit
FARTHEST = 1.5  # grid units from where the field puts it
MARGIN = 0.25  # grid units by which a vertex may move, or its normal swing a point, in and out of reach
OPPOSED = -0.3  # cosine below which a point lies on the other side of a sheet; up to there it may be across a crease
FEWEST = 1.5  # points by weight below which they have no spread of their own
PRIOR = 10.0  # weight, in points, of the scanner's stated noise in the noise of one segment around a vertex


# rows of the table of one vertex's neighbours: offset from the vertex (3), normal (3), weight, 1 / reach**2; then, for
# the vertex as it stands: distance, weight by place, normal and segment, weight by agreement besides
OFFSET, NORMAL, WEIGHT, INVERSE, DISTANCE, BASE, FULL = 0, 3, 6, 7, 8, 9, 10
ROWS = 11


@njit(cache=True, nogil=True)
def _lay_out(cell, place, normal, weight, reach, spot, facts):
    """Fill ``spot`` (n, 3) float64, where the points lie, and ``facts`` (n, 6) float32, what is asked of each: normal,
    weight, 1 / reach**2 and the square of how far off it may be."""
    for p in range(len(cell)):
        for k in range(3):
            spot[p, k] = cell[p, k] + np.float64(place[p, k])
            facts[p, k] = normal[p, k]
        far = reach[p] + MARGIN
        facts[p, 3], facts[p, 4], facts[p, 5] = weight[p], 1 / (reach[p] * reach[p]), far * far


@njit(cache=True, nogil=True)
def _neighbours(v, m, longest, spot, facts, start, halo, edge, found, table):
    """Gather the points within reach of v with normal m, and ``MARGIN`` more: fills ``found`` with their rows and the
    first eight rows of ``table``; returns their number, or -1 if there is no room for all."""
    low, high = np.empty(3, np.int64), np.empty(3, np.int64)
    for k in range(3):  # of the cylinder about v
        half = (longest + MARGIN) * np.sqrt(max(1 - m[k] * m[k], 0.0)) + (BAND + MARGIN) * abs(m[k])
        low[k] = max(int(np.floor(v[k] - half)) + halo, 0)
        high[k] = min(int(np.floor(v[k] + half)) + halo, edge - 1)
    v0, v1, v2, m0, m1, m2 = v[0], v[1], v[2], m[0], m[1], m[2]
    count = 0
    for a in range(low[0], high[0] + 1):
        for b in range(low[1], high[1] + 1):
            flat = (a * edge + b) * edge
            for p in range(start[flat + low[2]], start[flat + high[2] + 1]):
                ux, uy, uz = spot[p, 0] - v0, spot[p, 1] - v1, spot[p, 2] - v2
                d = m0 * ux + m1 * uy + m2 * uz
                if abs(d) > BAND + MARGIN or ux * ux + uy * uy + uz * uz - d * d > facts[p, 5]:
                    continue
                if facts[p, 0] * m0 + facts[p, 1] * m1 + facts[p, 2] * m2 <= OPPOSED:
                    continue
                if count == len(found):
                    return -1
                found[count] = p
                table[OFFSET, count], table[OFFSET + 1, count], table[OFFSET + 2, count] = ux, uy, uz
                for k in range(5):
                    table[NORMAL + k, count] = facts[p, k]
                count += 1
    return count


@njit(cache=True, nogil=True, fastmath=True)
def _weigh(n, move, m, limit, robust, least_cosine, table):
    """Distance and weights of the n neighbours of a vertex that has moved. Without branches, for the sake of speed."""
    one, zero = np.float32(1), np.float32(0)
    v0, v1, v2 = np.float32(move[0]), np.float32(move[1]), np.float32(move[2])
    m0, m1, m2 = np.float32(m[0]), np.float32(m[1]), np.float32(m[2])
    least, scale = np.float32(least_cosine), np.float32(1 / (1 - least_cosine))
    trim = np.float32(robust / (limit * limit))
    inverse_limit = np.float32(1 / (limit * limit))
    half, two, three = np.float32(0.5), np.float32(2), np.float32(3)
    ox, oy, oz, nx, ny, nz = table[0], table[1], table[2], table[3], table[4], table[5]
    weight, inverse, distance, base, full = table[6], table[7], table[8], table[9], table[10]
    for j in range(n):
        ux, uy, uz = v0 - ox[j], v1 - oy[j], v2 - oz[j]
        d = half * ((nx[j] + m0) * ux + (ny[j] + m1) * uy + (nz[j] + m2) * uz)
        q = (ux * ux + uy * uy + uz * uz - d * d) * inverse[j]
        near = max(one - q, zero)
        # 1 where the normals agree, falling smoothly to 0 at the widest angle
        fit = min(max((nx[j] * m0 + ny[j] * m1 + nz[j] * m2 - least) * scale, zero), one)
        fit = fit * fit * (three - two * fit)
        w = weight[j] * near * near * fit
        w = w if d * d * inverse_limit < one else zero
        agree = max(one - d * d * trim, zero)
        distance[j], base[j], full[j] = d, w, w * agree * agree


@njit(cache=True, nogil=True)
def _by_segment(n, segment, noise, learn, squares, heard, share, table):
    """Divide the weights by the variance of each segment about the vertex, in units of the stated noise's variance.

    ``segment`` (n,): of each neighbour; ``share`` (s,) float32: one over these variances. ``learn``: work them out
    first, from the scatter of each segment's points and their offset from the surface; the stated noise counts as
    ``PRIOR`` points. ``squares`` and ``heard``: scratch as long as ``share``.
    """
    base, full, distance = table[BASE], table[FULL], table[DISTANCE]
    if learn:
        for s in range(len(share)):
            squares[s], heard[s] = 0.0, PRIOR
        for j in range(n):
            squares[segment[j]] += base[j] * distance[j] * distance[j]
            heard[segment[j]] += base[j]
        for s in range(len(share)):
            share[s] = heard[s] / (PRIOR + squares[s] / (noise * noise))
    for j in range(n):
        base[j] *= share[segment[j]]
        full[j] *= share[segment[j]]


@njit(cache=True, nogil=True, fastmath=True)
def _average(n, table, turned):
    """Weighted mean distance, points by weight, standard deviation; ``turned``: weighted sum of normals. The weight
    comes first, 0 where no point bears."""
    distance, base, full = table[8], table[9], table[10]
    nx, ny, nz = table[3], table[4], table[5]
    zero = np.float32(0)
    w, ww, wd, b, bd, bdd, tx, ty, tz = zero, zero, zero, zero, zero, zero, zero, zero, zero
    for j in range(n):
        w += full[j]
        ww += full[j] * full[j]
        wd += full[j] * distance[j]
        b += base[j]
        bd += base[j] * distance[j]
        bdd += base[j] * distance[j] * distance[j]
        tx += full[j] * nx[j]
        ty += full[j] * ny[j]
        tz += full[j] * nz[j]
    turned[0], turned[1], turned[2] = tx, ty, tz
    if w <= 0:
        return 0.0, 0.0, 0.0, 0.0
    mean = np.float64(bd) / b
    return (
        np.float64(w),
        np.float64(wd) / w,
        np.float64(w) * w / ww,
        np.sqrt(max(np.float64(bdd) / b - mean * mean, 0.0)),
    )


@njit(cache=True, nogil=True)
def _settle(
    vertex, vertex_normal, spot, facts, segment, undecided, colour, coloured, start, halo, edge, longest,
    segments, noise, least_cosine, agreement, count, spread, doubt, vertex_colour, colour_weight,
):  # fmt: skip
    room = 256
    found, near, table = np.empty(room, np.int32), np.empty(room, np.uint8), np.empty((ROWS, room), np.float32)
    share, squares, points = np.empty(segments, np.float32), np.empty(segments), np.empty(segments)
    move, m, turned, total_c, step, sums = np.empty(3), np.empty(3), np.empty(3), np.empty(3), np.empty(3), np.empty(17)
    for i in range(len(vertex)):
        m[:] = vertex_normal[i]
        n = -1
        while n < 0:
            n = _neighbours(vertex[i], m, longest, spot, facts, start, halo, edge, found, table)
            if n < 0:
                room *= 2
                found, near = np.empty(room, np.int32), np.empty(room, np.uint8)
                table = np.empty((ROWS, room), np.float32)
        for j in range(n):
            near[j] = segment[found[j]]
        move[:] = 0
        limit, sigma, heard, effective = BAND, 0.0, 0.0, 0.0
        for turn in range(ROUNDS + 1):
            _weigh(n, move, m, limit, np.float64(turn > 0), least_cosine, table)
            if segments > 1 and turn > 0:  # the vertex lies near the surface now, and distances from it are noise
                _by_segment(n, near, noise, turn < ROUNDS, squares, points, share, table)
            heard, mean, effective, sigma = _average(n, table, turned)
            if heard <= 0 or turn == ROUNDS:
                break
            length = np.sqrt((turned * turned).sum())
            for k in range(3):
                m[k] = turned[k] / length
                move[k] -= mean * m[k]
            limit = min(BAND, agreement * max(noise, sigma))
        if heard <= 0:
            spread[i] = noise
            continue
        on_crease, misfit = sharpen(n, move, m, vertex[i], noise, table, sums, step)
        if on_crease > 0:
            effective, sigma = on_crease, misfit
            for k in range(3):
                move[k] += step[k]
                m[k] = 0.0
        if (move * move).sum() <= FARTHEST * FARTHEST:
            for k in range(3):
                vertex[i, k] += move[k]
                vertex_normal[i, k] = m[k]
        count[i] = effective
        spread[i] = sigma * np.sqrt(effective / (effective - 1)) if effective >= FEWEST else noise
        doubtful, tinted = 0.0, 0.0
        total_c[:] = 0
        for j in range(n):
            p = found[j]
            doubtful += table[FULL, j] * undecided[p]
            if coloured[p]:
                tinted += table[FULL, j]
                for k in range(3):
                    total_c[k] += table[FULL, j] * colour[p, k]
        doubt[i] = doubtful / heard
        colour_weight[i] = tinted
        if tinted > 0:
            for k in range(3):
                vertex_colour[i, k] = np.uint8(np.floor(total_c[k] / tinted + 0.5))


def settle(patch, points, reach, longest, segments, noise, least_cosine, agreement):
    """Move a patch's vertices onto the points and say how well the points agree there.

    ``reach`` (n,) and its greatest value ``longest``, ``noise`` (one point's standard deviation): grid units;
    ``least_cosine``: points whose normal is farther from the vertex's do not count; ``agreement``: points farther from
    the surface than so many standard deviations do not count.

    Returns a dict of arrays, one row a vertex: ``place`` (n, 3) float64 and ``normal`` (n, 3) float32, zero on a
    crease; ``count``, the number of equally weighted points that would average the noise as well,
    (sum w)**2 / sum w**2; ``spread``, standard deviation of the points along the normal, grid units, the stated noise
    where fewer than one and a half points bear on the vertex; ``doubt``, share of undecided points; ``colour`` (n, 3)
    uint8 and ``coloured`` (n,) bool.
    """
    n = len(patch.key)
    place, normal = patch.place.copy(), patch.normal.copy()
    count, spread, doubt, tint = (np.zeros(n, np.float32) for _ in range(4))
    colour = np.full((n, 3), 128, np.uint8)
    spot, facts = np.empty((len(points), 3)), np.empty((len(points), 6), np.float32)
    _lay_out(points.cell, points.place, points.normal, points.weight, reach, spot, facts)
    _settle(
        place, normal, spot, facts, points.segment, points.undecided, points.colour, points.coloured, points.start,
        points.halo, points.edge, longest, segments, noise, least_cosine, agreement, count, spread, doubt, colour, tint,
    )  # fmt: skip
    return {
        "place": place,
        "normal": normal,
        "count": count,
        "spread": spread,
        "doubt": doubt,
        "colour": colour,
        "coloured": tint > 0,
    }
