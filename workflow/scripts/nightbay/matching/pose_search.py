"""Finds every pose that could carry one list of targets onto another, from distances and normals alone.

A triple of targets of the list b is looked up among the targets a by its three distances; each congruent triple gives
a pose, whose support is counted. Distances do not tell an object from its mirror image, a pose made of a rotation does:
reflections are never built. Hot loops in Numba.
"""

from dataclasses import dataclass
from itertools import combinations

import numba
import numpy as np
from scipy.spatial import cKDTree

CELLS = 1_500_000  # of the lookup grid
NEAR = 8  # neighbours, of which a few may be spurious or on the far side of the edge
MOST_POSES = 96  # distinct poses kept for one list; the weakest leave first


@dataclass(frozen=True)
class Index:
    """Targets a, ready to be searched: ``xyz`` (n, 3) about their mean, ``normal`` (n, 3) or (0, 3), lookup tables."""

    centre: np.ndarray
    xyz: np.ndarray
    normal: np.ndarray
    near: np.ndarray  # (n, n) distances of each target to the others, ascending
    which: np.ndarray  # (n, n) which other
    distance: np.ndarray  # (n, n)
    low: np.ndarray
    cell_mm: float
    shape: np.ndarray
    first: np.ndarray  # first target of a cell or -1
    after: np.ndarray  # next target in the same cell or -1


def index(xyz_mm, normal=None):
    """Build an :class:`Index` of targets (n, 3), n of at least 3, with unit normals (n, 3) or None."""
    centre = xyz_mm.mean(axis=0)
    xyz = np.ascontiguousarray(xyz_mm - centre)
    distance = np.sqrt(((xyz[:, None, :] - xyz[None, :, :]) ** 2).sum(axis=2))
    which = np.argsort(distance, axis=1, kind="stable").astype(np.int32)
    low = xyz.min(axis=0)
    size = np.maximum(xyz.max(axis=0) - low, 1.0)
    cell = max(20.0, float((size.prod() / CELLS) ** (1 / 3)))
    shape = (size / cell).astype(np.int64) + 1
    first, after = _fill(xyz, low, cell, shape)
    return Index(
        centre, xyz, np.empty((0, 3)) if normal is None else np.ascontiguousarray(normal),
        np.take_along_axis(distance, which, axis=1), which, distance, low, cell, shape, first, after,
    )  # fmt: skip


@numba.njit(cache=True)
def _fill(xyz, low, cell, shape):
    first = np.full(shape[0] * shape[1] * shape[2], -1, np.int32)
    after = np.full(len(xyz), -1, np.int32)
    for i in range(len(xyz) - 1, -1, -1):
        at = 0
        for k in range(3):
            at = at * shape[k] + int((xyz[i, k] - low[k]) / cell)
        after[i] = first[at]
        first[at] = i
    return first, after


def triples(xyz_mm, most, seed=1):
    """Row triples (t, 3) to look up, well shaped and spread: all of a short list, ``most`` drawn ones of a long one.

    Returns the triples and whether they are all.
    """
    n = len(xyz_mm)
    if n * (n - 1) * (n - 2) // 6 <= most:
        return np.array(list(combinations(range(n), 3)), np.int32).reshape(-1, 3), True
    rng = np.random.default_rng(seed)
    drawn = rng.integers(0, n, (8 * most, 3))
    drawn = drawn[(drawn[:, 0] != drawn[:, 1]) & (drawn[:, 0] != drawn[:, 2]) & (drawn[:, 1] != drawn[:, 2])]
    edge = xyz_mm[drawn[:, [1, 2, 0]]] - xyz_mm[drawn]
    longest = np.maximum(np.linalg.norm(edge, axis=2).max(axis=1), 1e-9)  # entries listed twice have no distance
    height = np.linalg.norm(np.cross(edge[:, 0], edge[:, 2]), axis=1) / longest
    # the widest third: their poses reach far without much error
    order = np.argsort(-height[: 3 * most], kind="stable")[:most]
    return np.ascontiguousarray(drawn[np.sort(order)].astype(np.int32)), False


def near_triples(xyz_mm, most):
    """At most ``most`` row triples (t, 3) of targets with two of their :data:`NEAR` nearest ones, evenly spread.

    What two neighbours' lists share lies together at an edge: triples of the whole list hit three common targets with
    the cube of their share, these with hardly less than the share itself.
    """
    near = cKDTree(xyz_mm).query(xyz_mm, k=min(NEAR + 1, len(xyz_mm)))[1]
    pairs = np.array(list(combinations(range(1, near.shape[1]), 2)))
    several = np.stack(
        [np.broadcast_to(near[:, :1], (len(near), len(pairs))), near[:, pairs[:, 0]], near[:, pairs[:, 1]]]
    )
    every = np.unique(np.sort(several.reshape(3, -1).T, axis=1), axis=0)
    return np.ascontiguousarray(every[:: -(-len(every) // most)].astype(np.int32))


@dataclass(frozen=True)
class Search:
    """Poses found: ``R`` (k, 3, 3), ``t`` (k, 3), their coarse support ``count`` (k,), and what was tried.

    ``congruent`` is the number of congruent triples tried, ``tried`` that of the triples of b.
    """

    R: np.ndarray
    t: np.ndarray
    count: np.ndarray
    congruent: int
    tried: int


def search(index_a, xyz_b, normal_b, triples_b, *, point_mm, per_m, normal_cos, least, distinct_mm):
    """Look up ``triples_b`` and count the support of every pose.

    ``point_mm`` and ``per_m``: how far a distance may differ, constant part and mm per m; ``normal_cos``: least cosine
    between normals of the same target; ``least``: smallest support that is kept; ``distinct_mm``: poses that place
    all of b nearer to each other than this are one. Poses map b, about its own mean, to a, about the index's.
    """
    normal = np.empty((0, 3)) if normal_b is None or len(index_a.normal) == 0 else np.ascontiguousarray(normal_b)
    R, t, count, congruent = _search(
        index_a.xyz, index_a.normal, index_a.near, index_a.which, index_a.distance,
        index_a.low, index_a.cell_mm, index_a.shape, index_a.first, index_a.after,
        xyz_b, normal, triples_b, point_mm, per_m / 1000, normal_cos, least, distinct_mm,
    )  # fmt: skip
    return Search(R, t, count, congruent, len(triples_b))


@numba.njit(cache=True)
def _length(v):
    return np.sqrt(v[0] * v[0] + v[1] * v[1] + v[2] * v[2])


@numba.njit(cache=True)
def _height(a, b, c):
    """Least height of a triangle with sides a, b, c (Heron)."""
    half = (a + b + c) / 2
    return 2 * np.sqrt(max(half * (half - a) * (half - b) * (half - c), 0.0)) / max(a, b, c, 1e-9)


@numba.njit(cache=True)
def _frame(p0, p1, p2):
    """Orthonormal axes of a triangle as the columns of a matrix."""
    F = np.empty((3, 3))
    u, v = p1 - p0, p2 - p0
    u = u / _length(u)
    w = np.array([u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]])
    w = w / _length(w)
    F[:, 0], F[:, 2] = u, w
    F[0, 1] = w[1] * u[2] - w[2] * u[1]
    F[1, 1] = w[2] * u[0] - w[0] * u[2]
    F[2, 1] = w[0] * u[1] - w[1] * u[0]
    return F


@numba.njit(cache=True)
def _cosine(R, a, b):
    """Cosine between the unit vector a and the unit vector b turned by R."""
    total = 0.0
    for k in range(3):
        total += a[k] * (R[k, 0] * b[0] + R[k, 1] * b[1] + R[k, 2] * b[2])
    return total


@numba.njit(cache=True)
def _nearest(q, gate, xyz, low, cell, shape, first, after):
    """Row of the target nearest to q within the gate, or -1."""
    best, found = gate * gate, -1
    a0 = max(int(np.floor((q[0] - gate - low[0]) / cell)), 0)
    b0 = min(int(np.floor((q[0] + gate - low[0]) / cell)), shape[0] - 1)
    a1 = max(int(np.floor((q[1] - gate - low[1]) / cell)), 0)
    b1 = min(int(np.floor((q[1] + gate - low[1]) / cell)), shape[1] - 1)
    a2 = max(int(np.floor((q[2] - gate - low[2]) / cell)), 0)
    b2 = min(int(np.floor((q[2] + gate - low[2]) / cell)), shape[2] - 1)
    for i in range(a0, b0 + 1):
        for j in range(a1, b1 + 1):
            for k in range(a2, b2 + 1):
                row = first[(i * shape[1] + j) * shape[2] + k]
                while row >= 0:
                    d = (xyz[row, 0] - q[0]) ** 2 + (xyz[row, 1] - q[1]) ** 2 + (xyz[row, 2] - q[2]) ** 2
                    if d < best:
                        best, found = d, row
                    row = after[row]
    return found


@numba.njit(cache=True)
def _support(R, t, middle, size, xyz_b, normal_b, normal_a, normal_cos, point_mm, per_mm, enough,
             xyz, low, cell, shape, first, after, used, stamp):  # fmt: skip
    """How many targets of b meet one of a of their own, the gate opening with the lever arm of the triple."""
    count, n = 0, len(xyz_b)
    q = np.empty(3)
    for i in range(n):
        if count + n - i < enough:
            return count
        b0, b1, b2 = xyz_b[i, 0], xyz_b[i, 1], xyz_b[i, 2]
        for k in range(3):
            q[k] = R[k, 0] * b0 + R[k, 1] * b1 + R[k, 2] * b2 + t[k]
        lever = np.sqrt((b0 - middle[0]) ** 2 + (b1 - middle[1]) ** 2 + (b2 - middle[2]) ** 2)
        gate = min(point_mm * (1 + lever / size) + per_mm * lever, 12.0)
        row = _nearest(q, gate, xyz, low, cell, shape, first, after)
        if row < 0 or used[row] == stamp:
            continue
        if len(normal_b) > 0 and _cosine(R, normal_a[row], normal_b[i]) < normal_cos:
            continue
        used[row] = stamp
        count += 1
    return count


@numba.njit(cache=True)
def _same(R, t, R2, t2, corners, distinct_mm):
    for c in range(len(corners)):
        d = 0.0
        for k in range(3):
            e = t[k] - t2[k]
            for m in range(3):
                e += (R[k, m] - R2[k, m]) * corners[c, m]
            d += e * e
        if d > distinct_mm * distinct_mm:
            return False
    return True


@numba.njit(cache=True)
def _slot(R, t, kept_R, kept_t, kept_count, kept, spread, least, distinct_mm):
    """Where a pose belongs among those kept, and the support that it needs to get there."""
    weakest = 0
    for s in range(kept):
        if _same(R, t, kept_R[s], kept_t[s], spread, distinct_mm):
            return s, kept_count[s] + 1
        if kept_count[s] < kept_count[weakest]:
            weakest = s
    if kept < MOST_POSES:
        return kept, least
    return weakest, max(least, kept_count[weakest] + 1)


@numba.njit(cache=True)
def _search(xyz, normal_a, near, which, distance, low, cell, shape, first, after,
            xyz_b, normal_b, triples_b, point_mm, per_mm, normal_cos, least, distinct_mm):  # fmt: skip
    n_a = len(xyz)
    kept_R, kept_t = np.empty((MOST_POSES, 3, 3)), np.empty((MOST_POSES, 3))
    kept_count = np.zeros(MOST_POSES, np.int64)
    kept, congruent = 0, 0
    used = np.full(n_a, -1, np.int64)
    spread = np.empty((6, 3))  # the targets of b that lie farthest out, two an axis
    for k in range(3):
        spread[2 * k], spread[2 * k + 1] = xyz_b[np.argmin(xyz_b[:, k])], xyz_b[np.argmax(xyz_b[:, k])]
    for row in range(len(triples_b)):
        i, j, k = triples_b[row, 0], triples_b[row, 1], triples_b[row, 2]
        d01, d02, d12 = _length(xyz_b[i] - xyz_b[j]), _length(xyz_b[i] - xyz_b[k]), _length(xyz_b[j] - xyz_b[k])
        size = _height(d01, d02, d12)
        if size < 4 * point_mm:
            continue
        frame_b = _frame(xyz_b[i], xyz_b[j], xyz_b[k])
        middle = (xyz_b[i] + xyz_b[j] + xyz_b[k]) / 3
        w01, w02, w12 = point_mm + per_mm * d01, point_mm + per_mm * d02, point_mm + per_mm * d12
        for a0 in range(n_a):
            at1 = np.searchsorted(near[a0], d01 - w01)
            from2 = np.searchsorted(near[a0], d02 - w02)
            while at1 < n_a and near[a0, at1] <= d01 + w01:
                a1 = which[a0, at1]
                at1 += 1
                at2 = from2
                while at2 < n_a and near[a0, at2] <= d02 + w02:
                    a2 = which[a0, at2]
                    at2 += 1
                    if a1 == a0 or a2 == a0 or a2 == a1 or abs(distance[a1, a2] - d12) > w12:  # noqa: SIM109
                        continue
                    R = _frame(xyz[a0], xyz[a1], xyz[a2]) @ frame_b.T
                    if len(normal_b) > 0:
                        lowest = min(
                            _cosine(R, normal_a[a0], normal_b[i]),
                            _cosine(R, normal_a[a1], normal_b[j]),
                            _cosine(R, normal_a[a2], normal_b[k]),
                        )
                        if lowest < normal_cos:
                            continue
                    congruent += 1
                    t = (xyz[a0] + xyz[a1] + xyz[a2]) / 3 - R @ middle
                    slot, enough = _slot(R, t, kept_R, kept_t, kept_count, kept, spread, least, distinct_mm)
                    count = _support(R, t, middle, size, xyz_b, normal_b, normal_a, normal_cos, point_mm, per_mm,
                                     enough, xyz, low, cell, shape, first, after, used, congruent)  # fmt: skip
                    if count >= enough:
                        kept_R[slot], kept_t[slot], kept_count[slot] = R, t, count
                        kept = max(kept, slot + 1)
    return kept_R[:kept], kept_t[:kept], kept_count[:kept], congruent
