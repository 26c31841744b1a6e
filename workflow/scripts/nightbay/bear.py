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

from nightbay.signed import BAND

ROUNDS = 3  # of moving along the normal; the move of the third is below a hundredth of a grid unit
FARTHEST = 0.87  # grid units from where the field puts it: half a cell's diagonal
PRIOR = 10.0  # weight, in points, of the scanner's stated noise in the noise of one segment around a vertex


@njit(cache=True, nogil=True)
def _agree(cosine, least):
    """Weight of a point whose normal makes this cosine with the vertex normal: 1 for the same, 0 at ``least``."""
    if cosine <= least:
        return 0.0
    share = (cosine - least) / (1 - least)
    return min(share * share * (3 - 2 * share), 1.0)


@njit(cache=True, nogil=True)
def _settle(
    vertex, vertex_normal, cell, place, normal, weight, reach, segment, undecided, colour, coloured, start, halo, edge,
    longest, segments, noise, least_cosine, agreement,
    count, spread, doubt, vertex_colour, colour_weight,
):  # fmt: skip
    radius = np.sqrt(longest * longest + BAND * BAND)
    variance, heard = np.empty(segments), np.empty(segments)
    v, m, total_n, total_c = np.empty(3), np.empty(3), np.empty(3), np.empty(3)
    for i in range(len(vertex)):
        v[:] = vertex[i]
        m[:] = vertex_normal[i]
        variance[:] = noise * noise
        limit = BAND
        n_effective, sigma, doubtful, tinted = 0.0, 0.0, 0.0, 0.0
        for turn in range(ROUNDS + 1):
            last = turn == ROUNDS
            sum_w, sum_ww, sum_d, all_w, all_d, all_dd = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
            total_n[:] = 0
            total_c[:] = 0
            doubtful, tinted = 0.0, 0.0
            squares = np.zeros(segments)
            heard[:] = 0
            a0 = max(int(np.floor(v[0] - radius)) + halo, 0)
            a1 = min(int(np.floor(v[0] + radius)) + halo, edge - 1)
            b0 = max(int(np.floor(v[1] - radius)) + halo, 0)
            b1 = min(int(np.floor(v[1] + radius)) + halo, edge - 1)
            c0 = max(int(np.floor(v[2] - radius)) + halo, 0)
            c1 = min(int(np.floor(v[2] + radius)) + halo, edge - 1)
            for a in range(a0, a1 + 1):
                for b in range(b0, b1 + 1):
                    flat = (a * edge + b) * edge
                    for p in range(start[flat + c0], start[flat + c1 + 1]):
                        ux = v[0] - cell[p, 0] - place[p, 0]
                        uy = v[1] - cell[p, 1] - place[p, 1]
                        uz = v[2] - cell[p, 2] - place[p, 2]
                        nx, ny, nz = normal[p, 0], normal[p, 1], normal[p, 2]
                        d = 0.5 * ((nx + m[0]) * ux + (ny + m[1]) * uy + (nz + m[2]) * uz)
                        if d > limit or d < -limit:
                            continue
                        q = (ux * ux + uy * uy + uz * uz - d * d) / (reach[p] * reach[p])
                        if q >= 1:
                            continue
                        fit = _agree(nx * m[0] + ny * m[1] + nz * m[2], least_cosine)
                        if fit <= 0:
                            continue
                        s = segment[p]
                        w = weight[p] * (1 - q) * (1 - q) * fit
                        squares[s] += w * d * d
                        heard[s] += w
                        w *= noise * noise / variance[s]
                        all_w += w
                        all_d += w * d
                        all_dd += w * d * d
                        if turn > 0:
                            ratio = d / limit
                            w *= (1 - ratio * ratio) ** 2
                        sum_w += w
                        sum_ww += w * w
                        sum_d += w * d
                        total_n[0] += w * nx
                        total_n[1] += w * ny
                        total_n[2] += w * nz
                        if last:
                            doubtful += w * undecided[p]
                            if coloured[p]:
                                tinted += w
                                total_c[0] += w * colour[p, 0]
                                total_c[1] += w * colour[p, 1]
                                total_c[2] += w * colour[p, 2]
            if sum_w <= 0:
                n_effective = 0.0
                break
            mean = sum_d / sum_w
            n_effective = sum_w * sum_w / sum_ww
            sigma = np.sqrt(max(all_dd / all_w - (all_d / all_w) ** 2, 0.0))
            if last:
                doubtful /= sum_w
                break
            length = np.sqrt(total_n[0] ** 2 + total_n[1] ** 2 + total_n[2] ** 2)
            for k in range(3):
                m[k] = total_n[k] / length
                v[k] -= mean * m[k]
            if (
                turn > 0
            ):  # the vertex lies near the surface now: distances about it are noise, and offsets between passes
                for s in range(segments):
                    variance[s] = (PRIOR * noise * noise + squares[s]) / (PRIOR + heard[s])
            limit = min(BAND, agreement * max(noise, sigma))
        moved = np.sqrt(((v - vertex[i]) ** 2).sum())
        if n_effective > 0 and moved <= FARTHEST:
            vertex[i] = v
            for k in range(3):
                vertex_normal[i, k] = m[k]
        count[i] = n_effective
        spread[i] = sigma * np.sqrt(n_effective / (n_effective - 1)) if n_effective >= 1.5 else noise
        doubt[i] = doubtful
        colour_weight[i] = tinted
        if tinted > 0:
            for k in range(3):
                vertex_colour[i, k] = np.uint8(np.floor(total_c[k] / tinted + 0.5))


def settle(patch, points, reach, longest, segments, noise, least_cosine, agreement):
    """Move a patch's vertices onto the points and say how well the points agree there.

    ``reach`` (n,) and its greatest value ``longest``, ``noise`` (one point's standard deviation): grid units;
    ``least_cosine``: points whose normal is farther from the vertex's do not count; ``agreement``: points farther from
    the surface than so many standard deviations do not count.

    Returns a dict of arrays, one row a vertex: ``place`` (n, 3) float64 and ``normal`` (n, 3) float32; ``count``, the
    number of equally weighted points that would average the noise as well, (sum w)**2 / sum w**2; ``spread``, standard
    deviation of the points along the normal, grid units, the stated noise where fewer than one and a half
    points bear on the vertex; ``doubt``, share of undecided points;
    ``colour`` (n, 3) uint8 and ``coloured`` (n,) bool.
    """
    n = len(patch.key)
    place, normal = patch.place.copy(), patch.normal.copy()
    count, spread, doubt, tint = (np.zeros(n, np.float32) for _ in range(4))
    colour = np.full((n, 3), 128, np.uint8)
    _settle(
        place, normal, points.cell, points.place, points.normal, points.weight, reach, points.segment,
        points.undecided, points.colour, points.coloured, points.start, points.halo, points.edge,
        longest, segments, noise, least_cosine, agreement, count, spread, doubt, colour, tint,
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
