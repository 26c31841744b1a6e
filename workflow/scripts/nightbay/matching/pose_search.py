"""Finds every pose that could carry one list of targets onto another, from distances and normals alone.

A triple of targets of the list b is looked up among the targets a by its three distances; each congruent triple gives
a pose, whose support is counted. Distances do not distinguish an object from its mirror image, but a pose made of a
rotation does: reflections are never built. Hot loops in Numba.
"""

from itertools import combinations
from typing import NamedTuple

import numba
import numpy as np
from scipy.spatial import cKDTree

CELLS = 1_500_000  # of the lookup grid
CELL_MIN_MM = 20.0  # edge of a cell: a search within the widest gate meets two cells an axis
NEAR = 8  # neighbours, of which a few may be spurious or on the far side of the edge
MOST_POSES = 96  # distinct poses kept for one list; the weakest are dropped first
# Largest distance of a target from its partner, whatever noise and drift allow: a target further off is more likely
# another one, since those of a layout are 15 mm apart and more (common practice, no source).
GATE_MAX_MM = 12.0
# Least height of a triple in units of a target's gate. The rotation of a flatter one is uncertain by more than 1/4 rad.
HEIGHT_GATES = 4


class Index(NamedTuple):
    """Targets a, ready to be searched.

    ``centre`` (3,) their centroid, mm; ``xyz`` (n, 3) about it; ``normal`` (n, 3) or (0, 3). ``near`` (n, n): distances
    of each target to the others, ascending; ``which`` (n, n): which other; ``distance`` (n, n). Lookup grid: ``low``
    (3,) its corner, ``cell_mm``, ``shape`` (3,); ``first`` (cells,) first target of a cell and ``after`` (n,) the next
    target in the same cell, -1 for none.
    """

    centre: np.ndarray
    xyz: np.ndarray
    normal: np.ndarray
    near: np.ndarray
    which: np.ndarray
    distance: np.ndarray
    low: np.ndarray
    cell_mm: float
    shape: np.ndarray
    first: np.ndarray
    after: np.ndarray


class Tolerances(NamedTuple):
    """``point_mm`` and ``per_mm``: how far a distance may differ, constant part and share of the distance;
    ``normal_cos``: least cosine between normals of the same target; ``least``: smallest support that is kept;
    ``distinct_mm``: poses that differ by less than this at all of b are the same."""

    point_mm: float
    per_mm: float
    normal_cos: float
    least: int
    distinct_mm: float


class Poses(NamedTuple):
    """Poses from b, about its centroid, to a, about the index's: rotations ``R`` (k, 3, 3), translations ``t`` (k, 3)
    in mm, coarse ``support`` (k,)."""

    R: np.ndarray
    t: np.ndarray
    support: np.ndarray


class _Sought(NamedTuple):
    """Targets b (n, 3) about their centroid, normals (n, 3) or (0, 3), row triples (t, 3), and the targets that lie
    farthest out, (6, 3), two an axis."""

    xyz: np.ndarray
    normal: np.ndarray
    triples: np.ndarray
    outermost: np.ndarray


def index(xyz_mm: np.ndarray, normal: np.ndarray | None = None) -> Index:
    """Build an :class:`Index` of targets (n, 3), n of at least 3, with unit normals (n, 3) or None."""
    centre = xyz_mm.mean(axis=0)
    xyz = np.ascontiguousarray(xyz_mm - centre)
    distance = np.sqrt(((xyz[:, None, :] - xyz[None, :, :]) ** 2).sum(axis=2))
    which = np.argsort(distance, axis=1, kind="stable").astype(np.int32)
    low = xyz.min(axis=0)
    size = np.maximum(xyz.max(axis=0) - low, 1.0)
    cell = max(CELL_MIN_MM, float((size.prod() / CELLS) ** (1 / 3)))
    shape = (size / cell).astype(np.int64) + 1
    first, after = _fill(xyz, low, cell, shape)
    return Index(
        centre=centre,
        xyz=xyz,
        normal=np.empty((0, 3)) if normal is None else np.ascontiguousarray(normal),
        near=np.take_along_axis(distance, which, axis=1),
        which=which,
        distance=distance,
        low=low,
        cell_mm=cell,
        shape=shape,
        first=first,
        after=after,
    )


@numba.njit(cache=True)
def _fill(xyz, low, cell, shape):
    """First target of each cell, and the next one in the same cell of each target."""
    first = np.full(shape[0] * shape[1] * shape[2], -1, np.int32)
    after = np.full(len(xyz), -1, np.int32)
    for i in range(len(xyz) - 1, -1, -1):
        at = 0
        for k in range(3):
            at = at * shape[k] + int((xyz[i, k] - low[k]) / cell)
        after[i] = first[at]
        first[at] = i
    return first, after


def triples(xyz_mm: np.ndarray, most: int, seed: int = 1) -> tuple[np.ndarray, bool]:
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


def near_triples(xyz_mm: np.ndarray, most: int) -> np.ndarray:
    """At most ``most`` row triples (t, 3) of targets with two of their :data:`NEAR` nearest ones, evenly spread.

    What two neighbours' lists share lies together at an edge. A triple of the whole list hits three common targets with
    a probability of their share cubed, a triple of neighbours with nearly the share itself.
    """
    near = cKDTree(xyz_mm).query(xyz_mm, k=min(NEAR + 1, len(xyz_mm)))[1]
    pairs = np.array(list(combinations(range(1, near.shape[1]), 2)))
    several = np.stack(
        [np.broadcast_to(near[:, :1], (len(near), len(pairs))), near[:, pairs[:, 0]], near[:, pairs[:, 1]]]
    )
    every = np.unique(np.sort(several.reshape(3, -1).T, axis=1), axis=0)
    return np.ascontiguousarray(every[:: -(-len(every) // most)].astype(np.int32))


def search(
    a: Index, xyz_b: np.ndarray, normal_b: np.ndarray | None, triples_b: np.ndarray, tolerances: Tolerances
) -> tuple[Poses, int]:
    """All poses that row triples (t, 3) of the list b (n, 3), about its centroid, allow, and the number of congruent
    triples tried. Normals are used where both lists have them."""
    normal = np.empty((0, 3)) if normal_b is None or len(a.normal) == 0 else np.ascontiguousarray(normal_b)
    outermost = np.array([xyz_b[row] for axis in xyz_b.T for row in (np.argmin(axis), np.argmax(axis))])
    R, t, support, congruent = _search(a, _Sought(xyz_b, normal, triples_b, outermost), tolerances)
    return Poses(R, t, support), congruent


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
def _nearest(q, gate, a):
    """Row of the target of a nearest to q within the gate, or -1."""
    best, found = gate * gate, -1
    a0 = max(int(np.floor((q[0] - gate - a.low[0]) / a.cell_mm)), 0)
    b0 = min(int(np.floor((q[0] + gate - a.low[0]) / a.cell_mm)), a.shape[0] - 1)
    a1 = max(int(np.floor((q[1] - gate - a.low[1]) / a.cell_mm)), 0)
    b1 = min(int(np.floor((q[1] + gate - a.low[1]) / a.cell_mm)), a.shape[1] - 1)
    a2 = max(int(np.floor((q[2] - gate - a.low[2]) / a.cell_mm)), 0)
    b2 = min(int(np.floor((q[2] + gate - a.low[2]) / a.cell_mm)), a.shape[2] - 1)
    for i in range(a0, b0 + 1):
        for j in range(a1, b1 + 1):
            for k in range(a2, b2 + 1):
                row = a.first[(i * a.shape[1] + j) * a.shape[2] + k]
                while row >= 0:
                    d = (a.xyz[row, 0] - q[0]) ** 2 + (a.xyz[row, 1] - q[1]) ** 2 + (a.xyz[row, 2] - q[2]) ** 2
                    if d < best:
                        best, found = d, row
                    row = a.after[row]
    return found


@numba.njit(cache=True)
def _support(R, t, a, b, tolerances, triangle, enough, used, stamp):
    """How many targets of b meet one of a of their own, the gate opening with the lever arm of the triple.

    ``triangle``: centroid and height of the triple that gave the pose. Counting ends where ``enough`` is out of reach.
    ``used`` (n_a,) is ``stamp`` for the targets of a that are taken.
    """
    count, n = 0, len(b.xyz)
    centroid, height = triangle
    q = np.empty(3)
    for i in range(n):
        if count + n - i < enough:
            return count
        b0, b1, b2 = b.xyz[i, 0], b.xyz[i, 1], b.xyz[i, 2]
        for k in range(3):
            q[k] = R[k, 0] * b0 + R[k, 1] * b1 + R[k, 2] * b2 + t[k]
        lever = np.sqrt((b0 - centroid[0]) ** 2 + (b1 - centroid[1]) ** 2 + (b2 - centroid[2]) ** 2)
        gate = min(tolerances.point_mm * (1 + lever / height) + tolerances.per_mm * lever, GATE_MAX_MM)
        row = _nearest(q, gate, a)
        if row < 0 or used[row] == stamp:
            continue
        if len(b.normal) > 0 and _cosine(R, a.normal[row], b.normal[i]) < tolerances.normal_cos:
            continue
        used[row] = stamp
        count += 1
    return count


@numba.njit(cache=True)
def _same(R, t, R2, t2, corners, distinct_mm):
    """Whether two poses bring every corner (c, 3) nearer to each other than ``distinct_mm``."""
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
def _slot(R, t, poses, kept, outermost, tolerances):
    """The slot of a pose among the ``kept`` ones, and the support that it needs to get there."""
    weakest = 0
    for s in range(kept):
        if _same(R, t, poses.R[s], poses.t[s], outermost, tolerances.distinct_mm):
            return s, poses.support[s] + 1
        if poses.support[s] < poses.support[weakest]:
            weakest = s
    if kept < MOST_POSES:
        return kept, tolerances.least
    return weakest, max(tolerances.least, poses.support[weakest] + 1)


@numba.njit(cache=True)
def _normals_agree(R, a, b, rows_a, rows_b, normal_cos):
    """Whether the normals of three targets agree with those of their partners under a rotation."""
    return (
        min(
            _cosine(R, a.normal[rows_a[0]], b.normal[rows_b[0]]),
            _cosine(R, a.normal[rows_a[1]], b.normal[rows_b[1]]),
            _cosine(R, a.normal[rows_a[2]], b.normal[rows_b[2]]),
        )
        >= normal_cos
    )


@numba.njit(cache=True)
def _search(a, b, tolerances):
    """Rotations, translations and support of the poses kept, and the number of congruent triples tried."""
    poses = Poses(np.empty((MOST_POSES, 3, 3)), np.empty((MOST_POSES, 3)), np.zeros(MOST_POSES, np.int64))
    kept, congruent, n_a = 0, 0, len(a.xyz)
    used = np.full(n_a, -1, np.int64)
    point_mm, per_mm = tolerances.point_mm, tolerances.per_mm
    for row in range(len(b.triples)):
        i, j, k = b.triples[row, 0], b.triples[row, 1], b.triples[row, 2]
        d01, d02, d12 = _length(b.xyz[i] - b.xyz[j]), _length(b.xyz[i] - b.xyz[k]), _length(b.xyz[j] - b.xyz[k])
        height = _height(d01, d02, d12)
        if height < HEIGHT_GATES * point_mm:
            continue
        frame_b = _frame(b.xyz[i], b.xyz[j], b.xyz[k])
        centroid = (b.xyz[i] + b.xyz[j] + b.xyz[k]) / 3
        w01, w02, w12 = point_mm + per_mm * d01, point_mm + per_mm * d02, point_mm + per_mm * d12
        for a0 in range(n_a):
            at1 = np.searchsorted(a.near[a0], d01 - w01)
            from2 = np.searchsorted(a.near[a0], d02 - w02)
            while at1 < n_a and a.near[a0, at1] <= d01 + w01:
                a1 = a.which[a0, at1]
                at1 += 1
                at2 = from2
                while at2 < n_a and a.near[a0, at2] <= d02 + w02:
                    a2 = a.which[a0, at2]
                    at2 += 1
                    if a1 == a0 or a2 == a0 or a2 == a1 or abs(a.distance[a1, a2] - d12) > w12:  # noqa: SIM109
                        continue
                    R = _frame(a.xyz[a0], a.xyz[a1], a.xyz[a2]) @ frame_b.T
                    if len(b.normal) > 0 and not _normals_agree(
                        R, a, b, (a0, a1, a2), (i, j, k), tolerances.normal_cos
                    ):
                        continue
                    congruent += 1
                    t = (a.xyz[a0] + a.xyz[a1] + a.xyz[a2]) / 3 - R @ centroid
                    slot, enough = _slot(R, t, poses, kept, b.outermost, tolerances)
                    count = _support(R, t, a, b, tolerances, (centroid, height), enough, used, congruent)
                    if count >= enough:
                        poses.R[slot], poses.t[slot], poses.support[slot] = R, t, count
                        kept = max(kept, slot + 1)
    return poses.R[:kept], poses.t[:kept], poses.support[:kept], congruent
