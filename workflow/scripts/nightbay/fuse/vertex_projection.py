"""Vertex projection: moves vertices onto the surface through the points around them, and estimates its noise.

A vertex v with normal m is moved along m until the weighted mean of the points' distances is zero. The distance of a
point p with normal n is taken with the mean of both normals, (n + m) . (v - p) / 2, which is exactly zero for any two
points of a sphere: a curved surface is not shifted by the width of the average, as it would be with either normal alone
(S. Rusinkiewicz, A symmetric objective function for ICP, ACM Trans. Graph. 38 (2019), uses the same property).

Points of the other side of a panel, or across a crease, have other normals and do not count. Each segment's points are
weighted by how closely they lie together around the vertex: a noisy, grazing or badly registered pass counts less than
a good one.
"""

from typing import NamedTuple

import numpy as np
from numba import njit

from nightbay.fuse.crease import Motion, move_to_crease
from nightbay.fuse.dual_contouring import Patch
from nightbay.fuse.neighbours import (
    BASE_WEIGHT,
    DISTANCE,
    FULL_WEIGHT,
    INVERSE_REACH,
    NORMAL_X,
    NORMAL_Y,
    NORMAL_Z,
    OFFSET_X,
    OFFSET_Y,
    OFFSET_Z,
    WEIGHT,
    gather,
    point_columns,
    with_room,
)
from nightbay.fuse.signed_distance import BAND
from nightbay.fuse.tile_points import TilePoints

ROUNDS = 3  # of moving along the normal; the move of the third is below a hundredth of a grid unit
FARTHEST = 1.5  # grid units by which a vertex may move from its position in the field
FEWEST = 1.5  # effective number of points below which no spread is computed from them
PRIOR = 10.0  # weight, in points, of the scanner's stated noise in the noise of one segment around a vertex
FIRST_ROOM = 256  # neighbours; doubled where a vertex has more


class Criteria(NamedTuple):
    """Which points count for a vertex, and how much.

    ``longest``: greatest reach of a point, grid units; ``noise``: standard deviation of one point, grid units;
    ``least_cosine``: points whose normal is farther from the vertex's do not count; ``agreement``: points farther from
    the surface than so many standard deviations do not count; ``segments``: number of segments.
    """

    longest: float
    noise: float
    least_cosine: float
    agreement: float
    segments: int


class ProjectedVertices(NamedTuple):
    """Vertices of a patch, one row each.

    ``position`` (n, 3) float64, grid units about the tile's first node; ``normal`` (n, 3) float32 unit, zero on a
    crease; ``effective_count`` (n,) float32: number of equally weighted points that would average the noise as well,
    (sum w)**2 / sum w**2, 0 where none lie within reach of a move; ``spread`` (n,) float32: standard deviation of the
    points along the normal, grid units, the stated noise where that number is below :data:`FEWEST`; ``undecided`` (n,)
    float32: share by weight of undecided points; ``light`` (n, 3) float32: mean linear light; ``light_weight`` (n,)
    float32: weight of the points that have a colour.
    """

    position: np.ndarray
    normal: np.ndarray
    effective_count: np.ndarray
    spread: np.ndarray
    undecided: np.ndarray
    light: np.ndarray
    light_weight: np.ndarray

    @property
    def coloured(self) -> np.ndarray:
        """Which vertices have a colour from points, (n,) bool."""
        return self.light_weight > 0


class Tone(NamedTuple):
    """How the colours of points become light: ``light`` and ``trust`` (s, 3, 256) float32 and ``share`` and ``factor``
    (n, s) float32 of the vertices, see :class:`nightbay.fuse.colour_blend.Blend`."""

    light: np.ndarray
    trust: np.ndarray
    share: np.ndarray
    factor: np.ndarray


class SegmentNoise(NamedTuple):
    """Scratch, (s,) each: a segment's weighted squared distances, its sum of weights, and the stated noise's variance
    over its own."""

    squares: np.ndarray
    weights: np.ndarray
    share: np.ndarray


def project_vertices(
    patch: Patch, points: TilePoints, reach: np.ndarray, criteria: Criteria, tone: Tone
) -> ProjectedVertices:
    """Move a patch's vertices onto the surface through the points; ``reach`` (n,) float32 of each point, grid units."""
    n = len(patch.key)
    count, spread, undecided, light_weight = (np.zeros(n, np.float32) for _ in range(4))
    vertices = ProjectedVertices(
        patch.position.copy(),
        patch.normal.copy(),
        count,
        spread,
        undecided,
        np.zeros((n, 3), np.float32),
        light_weight,
    )
    _project(points, point_columns(points, reach), criteria, tone, vertices)
    return vertices


@njit(cache=True, nogil=True)
def _project(points, columns, criteria, tone, vertices):
    """Move all ``vertices`` and fill in their attributes, in place."""
    found = with_room(FIRST_ROOM)
    motion = Motion(np.empty(3), np.empty(3), np.empty(3))
    segments = criteria.segments
    by_segment = SegmentNoise(np.empty(segments), np.empty(segments), np.empty(segments, np.float32))
    sums = np.empty((segments, 4))
    for i in range(len(vertices.position)):
        motion.normal[:] = vertices.normal[i]
        n = gather(vertices.position[i], motion.normal, criteria.longest, points, columns, found)
        while n < 0:
            found = with_room(2 * len(found.row))
            n = gather(vertices.position[i], motion.normal, criteria.longest, points, columns, found)
        weight, count, sigma = _move_along_normal(n, found, criteria, motion, by_segment)
        if weight <= 0 or (motion.move * motion.move).sum() > FARTHEST * FARTHEST:  # the points lie elsewhere
            vertices.spread[i] = criteria.noise
            continue
        on_crease, misfit = move_to_crease(n, found.table, vertices.position[i], motion, criteria.noise)
        if on_crease > 0:
            count, sigma = on_crease, misfit
        if (motion.move * motion.move).sum() <= FARTHEST * FARTHEST:
            for k in range(3):
                vertices.position[i, k] += motion.move[k]
                vertices.normal[i, k] = motion.normal[k]
        vertices.effective_count[i] = count
        vertices.spread[i] = sigma * np.sqrt(count / (count - 1)) if count >= FEWEST else criteria.noise
        _share_undecided(i, n, found, points, weight, vertices)
        if len(tone.share):
            _mix_light(i, n, found, points, tone, sums, vertices)


@njit(cache=True, nogil=True)
def _move_along_normal(n, found, criteria, motion, by_segment):
    """Move a vertex along its normal until the mean distance of its n neighbours is zero: fills ``motion``'s ``move``
    and ``normal``. Returns sum of weights, effective number of points and their standard deviation about the vertex; a
    sum of 0 where no point counts."""
    move, normal = motion.move, motion.normal
    normal_sum = motion.step  # scratch until the vertex is moved to a crease
    move[:] = 0
    limit, sigma, mean, weight, count = BAND, 0.0, 0.0, 0.0, 0.0
    for turn in range(ROUNDS + 1):
        robust = np.float64(turn > 0)
        _weigh(n, motion, limit, robust, criteria.least_cosine, found.table)
        if criteria.segments > 1 and turn > 0:  # the vertex lies near the surface, and distances from it are noise
            if turn < ROUNDS:
                _estimate_noise(n, found, criteria.noise, by_segment)
            _weigh_by_segment(n, found, by_segment.share)
        weight, mean, count, sigma = _average(n, found.table, normal_sum)
        if weight <= 0 or turn == ROUNDS:
            break
        length = np.sqrt((normal_sum * normal_sum).sum())
        for k in range(3):
            normal[k] = normal_sum[k] / length
            move[k] -= mean * normal[k]
        limit = min(BAND, criteria.agreement * max(criteria.noise, sigma))
    # about the vertex, which may not have come to their mean
    return weight, count, np.sqrt(sigma * sigma + mean * mean)


@njit(cache=True, nogil=True, fastmath=True)
def _weigh(n, motion, limit, robust, least_cosine, table):
    """Distances and weights of the n neighbours of a vertex that has moved, without branches for the sake of speed.

    Points farther than ``limit`` from the surface do not count; ``robust``: 1 for Tukey's weight up to there, 0 for
    equal weights.
    """
    unity, zero = np.float32(1), np.float32(0)
    move, m = motion.move, motion.normal
    v0, v1, v2 = np.float32(move[0]), np.float32(move[1]), np.float32(move[2])
    m0, m1, m2 = np.float32(m[0]), np.float32(m[1]), np.float32(m[2])
    least, scale = np.float32(least_cosine), np.float32(1 / (1 - least_cosine))
    trim = np.float32(robust / (limit * limit))
    inverse_limit = np.float32(1 / (limit * limit))
    half, two, three = np.float32(0.5), np.float32(2), np.float32(3)
    ox, oy, oz = table[OFFSET_X], table[OFFSET_Y], table[OFFSET_Z]
    nx, ny, nz = table[NORMAL_X], table[NORMAL_Y], table[NORMAL_Z]
    weight, inverse = table[WEIGHT], table[INVERSE_REACH]
    distance, base, full = table[DISTANCE], table[BASE_WEIGHT], table[FULL_WEIGHT]
    for j in range(n):
        ux, uy, uz = v0 - ox[j], v1 - oy[j], v2 - oz[j]
        d = half * ((nx[j] + m0) * ux + (ny[j] + m1) * uy + (nz[j] + m2) * uz)
        q = (ux * ux + uy * uy + uz * uz - d * d) * inverse[j]
        near = max(unity - q, zero)
        # 1 where the normals agree, falling smoothly to 0 at the widest angle
        fit = min(max((nx[j] * m0 + ny[j] * m1 + nz[j] * m2 - least) * scale, zero), unity)
        fit = fit * fit * (three - two * fit)
        w = weight[j] * near * near * fit
        w = w if d * d * inverse_limit < unity else zero
        agree = max(unity - d * d * trim, zero)
        distance[j], base[j], full[j] = d, w, w * agree * agree


@njit(cache=True, nogil=True)
def _estimate_noise(n, found, noise, by_segment):
    """Estimate the variance of each segment around a vertex from the scatter of its points and their offset from the
    surface; the stated ``noise`` counts as :data:`PRIOR` points. Fills ``by_segment``."""
    base, distance, segment = found.table[BASE_WEIGHT], found.table[DISTANCE], found.segment
    squares, weights, share = by_segment
    for s in range(len(share)):
        squares[s], weights[s] = 0.0, PRIOR
    for j in range(n):
        squares[segment[j]] += base[j] * distance[j] * distance[j]
        weights[segment[j]] += base[j]
    for s in range(len(share)):
        share[s] = weights[s] / (PRIOR + squares[s] / (noise * noise))


@njit(cache=True, nogil=True)
def _weigh_by_segment(n, found, share):
    """Multiply the weights of the n neighbours by the ``share`` (s,) float32 of their segments."""
    base, full, segment = found.table[BASE_WEIGHT], found.table[FULL_WEIGHT], found.segment
    for j in range(n):
        base[j] *= share[segment[j]]
        full[j] *= share[segment[j]]


@njit(cache=True, nogil=True, fastmath=True)
def _average(n, table, normal_sum):
    """Sum of weights, weighted mean distance, effective number of points, standard deviation of the n neighbours; all
    0 where no point counts. Fills ``normal_sum`` (3,), weighted."""
    distance, base, full = table[DISTANCE], table[BASE_WEIGHT], table[FULL_WEIGHT]
    nx, ny, nz = table[NORMAL_X], table[NORMAL_Y], table[NORMAL_Z]
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
    normal_sum[0], normal_sum[1], normal_sum[2] = tx, ty, tz
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
def _share_undecided(i, n, found, points, weight, vertices):
    """Share of undecided points of vertex ``i`` among its n neighbours; ``weight``: their sum."""
    full, undecided = found.table[FULL_WEIGHT], 0.0
    for j in range(n):
        undecided += full[j] * points.undecided[found.row[j]]
    vertices.undecided[i] = undecided / weight


@njit(cache=True, nogil=True)
def _mix_light(i, n, found, points, tone, sums, vertices):
    """Mean light of vertex ``i``: that of each segment from the n neighbours, and of these by the segments' shares.

    So a share is not left to how many points of each segment happen to lie near; a segment counts in full from several
    points on. ``sums`` (s, 4): scratch, of weights and weighted light.
    """
    full = found.table[FULL_WEIGHT]
    sums[:] = 0.0
    for j in range(n):
        p, s = found.row[j], found.segment[j]
        if points.coloured[p]:
            r, g, b = points.colour[p, 0], points.colour[p, 1], points.colour[p, 2]
            w = full[j] * min(tone.trust[s, 0, r], tone.trust[s, 1, g], tone.trust[s, 2, b])
            sums[s, 0] += w
            sums[s, 1] += w * tone.light[s, 0, r]
            sums[s, 2] += w * tone.light[s, 1, g]
            sums[s, 3] += w * tone.light[s, 2, b]
    total, light = 0.0, vertices.light[i]
    for s in range(len(sums)):
        if sums[s, 0] > 0:
            share = tone.share[i, s] / (sums[s, 0] + 1.0)  # times the weight, by which the sums would be divided
            total += share * sums[s, 0]
            for k in range(3):
                light[k] += share * tone.factor[i, s] * sums[s, k + 1]
    vertices.light_weight[i] = total
    if total > 0:
        for k in range(3):
            light[k] /= total
