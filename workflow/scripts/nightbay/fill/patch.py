"""Patches for gaps: plane triangulations of their rims, refined to the spacing of the surface's vertices.

A patch is computed in the plane of its gap's cap, where its quality can be proved: ear clipping of the rim, splits of
edges that are too long, Delaunay flips. :mod:`nightbay.fill.patch_fairing` lifts it onto a continuation of the surface.

All patches are computed together, as one mesh with ``uv_mm`` coordinates, each in its own plane.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numba import njit
from scipy import sparse
from scipy.sparse.linalg import splu

# Of an inner edge over the spacing: the halves of a longer one are nearer to the spacing than the whole is.
LONGEST = 4 / 3
# Bounds on the rounds of the loops below, each of which ends by itself when a round finds nothing to do.
REFINE_ROUNDS, FLIP_ROUNDS, SMOOTH_ROUNDS = 40, 200, 50
SMOOTHINGS = 3  # common practice, no source; a flip follows each
LEAST_AREA = 0.05  # of a face after smoothing, by the median face before
# Rad beyond a half turn of the two angles that face an edge, above which it is flipped; guards against rounding.
LEAST_EXCESS = 1e-9
LEAST_EAR = 1e-9  # twice the area of an ear over its longest side squared; guards against rounding


@dataclass(frozen=True)
class Patches:
    """Patches in their planes: ``uv_mm`` (n, 2), of which the first ``rim_count`` are rim points, loop after loop;
    ``faces`` (m, 3) int64, anticlockwise seen from outside; ``patch`` (m,), the gap of each face; ``patch_of_vertex``
    (n,)."""

    uv_mm: np.ndarray
    faces: np.ndarray
    patch: np.ndarray
    patch_of_vertex: np.ndarray
    rim_count: int


def clip_ears(uv_mm: np.ndarray, start: np.ndarray | list[int]) -> tuple[Patches, np.ndarray]:
    """Triangulate plane polygons: ``uv_mm`` (k, 2), polygon i in rows ``start[i]:start[i + 1]``, anticlockwise.

    Returns :class:`Patches`, and (l,) bool, false where a polygon crosses itself and has no triangulation.
    """
    faces, patch, closed = _clip_ears(np.ascontiguousarray(uv_mm), np.asarray(start, np.int64))
    keep = closed[patch]
    owner = np.repeat(np.arange(len(start) - 1), np.diff(start))
    return Patches(uv_mm, faces[keep], patch[keep], owner, len(uv_mm)), closed


@njit(cache=True)
def _turn(uv, a, b, c):
    """Twice the signed area of the triangle a, b, c."""
    return (uv[b, 0] - uv[a, 0]) * (uv[c, 1] - uv[a, 1]) - (uv[b, 1] - uv[a, 1]) * (uv[c, 0] - uv[a, 0])


@njit(cache=True)
def _ear_quality(uv, ring, at, count):
    """Twice the area over the longest side squared of the ear at position ``at`` of the ring; -1 where it is no ear."""
    a, b, c = ring[(at - 1) % count], ring[at], ring[(at + 1) % count]
    area = _turn(uv, a, b, c)
    longest = 0.0
    for p, q in ((a, b), (b, c), (c, a)):
        longest = max(longest, (uv[p, 0] - uv[q, 0]) ** 2 + (uv[p, 1] - uv[q, 1]) ** 2)
    if area <= LEAST_EAR * longest:
        return -1.0
    for k in range(count):
        p = ring[k]
        if p in (a, b, c):
            continue
        if _turn(uv, a, b, p) >= 0 and _turn(uv, b, c, p) >= 0 and _turn(uv, c, a, p) >= 0:
            return -1.0
    return area / longest


@njit(cache=True)
def _clip_ears(uv, start):
    """Faces, the polygon of each, and which polygons were closed: the best ear of a polygon is clipped first."""
    total = start[-1]
    faces = np.empty((total, 3), np.int64)
    patch = np.empty(total, np.int64)
    closed = np.ones(len(start) - 1, np.bool_)
    written = 0
    for number in range(len(start) - 1):
        ring = np.arange(start[number], start[number + 1])
        count = len(ring)
        while count >= 3:
            best, best_at = 0.0, -1
            for at in range(count):
                quality = _ear_quality(uv, ring, at, count)
                if quality > best:
                    best, best_at = quality, at
            if best_at < 0:
                closed[number] = False
                break
            faces[written] = ring[(best_at - 1) % count], ring[best_at], ring[(best_at + 1) % count]
            patch[written] = number
            written += 1
            ring[best_at : count - 1] = ring[best_at + 1 : count].copy()
            count -= 1
    return faces[:written].copy(), patch[:written].copy(), closed


def refine(patches: Patches, spacing_mm: float) -> Patches:
    """Split inner edges until none joins two rim points or is longer than :data:`LONGEST` allows, and flip to Delaunay.

    An edge between two rim points could coincide with an edge that the surface has already; without such edges the
    surface stays manifold. A rim edge keeps its length, and no other edge of its face is split if it is shorter:
    repeated splits would bring the edges ever closer to the rim.
    """
    for _ in range(REFINE_ROUNDS):
        patches = flip(patches)
        edges, inner, of_face = _edges(patches)
        length = np.linalg.norm(np.subtract(*patches.uv_mm[edges.T]), axis=1)
        on_rim = (edges < patches.rim_count).all(axis=1)
        longest = np.full(len(edges), LONGEST * spacing_mm)
        np.maximum.at(longest, of_face, np.where(on_rim, length, 0.0)[of_face].max(axis=1, keepdims=True))
        split = inner & (on_rim | (length > longest))
        if not split.any():
            break
        patches = _split(patches, edges[split])
    for _ in range(SMOOTHINGS):
        patches = flip(_smooth(patches))
    return patches


def without(patches: Patches, gone: np.ndarray | list[int]) -> tuple[Patches, np.ndarray]:
    """The patches without those numbered ``gone``, and which inner vertices stay, bool; all rim points stay."""
    stays = ~np.isin(patches.patch_of_vertex, gone)
    inner = stays[patches.rim_count :].copy()
    stays[: patches.rim_count] = True
    keep = ~np.isin(patches.patch, gone)
    faces = (np.cumsum(stays) - 1)[patches.faces[keep]]
    owner = patches.patch_of_vertex[stays]
    return Patches(patches.uv_mm[stays], faces, patches.patch[keep], owner, patches.rim_count), inner


def _keys(faces, count):
    """Keys of the half-edges of faces without direction, (m, 3): corner k to k + 1; ``count`` of all vertices."""
    a, b = faces, np.roll(faces, -1, axis=1)
    return np.minimum(a, b) * count + np.maximum(a, b)


def _edges(patches):
    """Edges, (e, 2), whether each lies inside a patch, (e,) bool, and the edges of each face, (m, 3)."""
    keys, of_face, uses = np.unique(_keys(patches.faces, len(patches.uv_mm)), return_inverse=True, return_counts=True)
    return np.column_stack(np.divmod(keys, len(patches.uv_mm))), uses == 2, of_face.reshape(-1, 3)


def _split(patches, edges):
    """Put a point in the middle of each of ``edges``, (e, 2) low and high, sorted, and divide its faces."""
    count = len(patches.uv_mm)
    wanted = edges[:, 0] * count + edges[:, 1]
    keys = _keys(patches.faces, count)
    at = np.minimum(np.searchsorted(wanted, keys), len(wanted) - 1)
    middle = np.where(wanted[at] == keys, count + at, -1)
    marks = (middle >= 0).sum(axis=1)
    # turn each face so that its first edge is split and, with two splits, the first and second
    first = np.where(marks == 2, (np.argmin(middle >= 0, axis=1) + 1) % 3, np.argmax(middle >= 0, axis=1))
    order = (first[:, None] + np.arange(3)) % 3
    (a, b, c), (m, n, o) = (np.take_along_axis(values, order, axis=1).T for values in (patches.faces, middle))
    split_once, split_twice, split_thrice = marks == 1, marks == 2, marks == 3
    pieces = [
        (marks == 0, (a, b, c)),
        (split_once, (a, m, c)),
        (split_once, (m, b, c)),
        (split_twice, (a, m, n)),
        (split_twice, (m, b, n)),
        (split_twice, (a, n, c)),
        (split_thrice, (a, m, o)),
        (split_thrice, (m, b, n)),
        (split_thrice, (o, n, c)),
        (split_thrice, (m, n, o)),
    ]
    return replace(
        patches,
        uv_mm=np.vstack([patches.uv_mm, patches.uv_mm[edges].mean(axis=1)]),
        faces=np.concatenate([np.column_stack(corners)[rows] for rows, corners in pieces]),
        patch=np.concatenate([patches.patch[rows] for rows, _ in pieces]),
        patch_of_vertex=np.concatenate([patches.patch_of_vertex, patches.patch_of_vertex[edges[:, 0]]]),
    )


def flip(patches: Patches) -> Patches:
    """Flip inner edges until each is locally Delaunay, except where the flip would join two rim points.

    A round flips edges that share no face, the worst first; the outcome does not depend on the order of faces. Patches
    in which a round finds nothing to flip are done.
    """
    faces, rows = patches.faces.copy(), np.arange(len(patches.faces))
    for _ in range(FLIP_ROUNDS):
        some = faces[rows]
        flipped = _flip_once(some, patches)
        if not len(flipped):
            break
        faces[rows] = some
        going_on = np.zeros(patches.patch.max() + 1, bool)
        going_on[patches.patch[rows[flipped]]] = True
        rows = rows[going_on[patches.patch[rows]]]
    return replace(patches, faces=faces)


def _flip_once(faces, patches):
    """One round of flips among ``faces``, (f, 3), in place; returns the rows of faces that it changed."""
    keys = _keys(faces, len(patches.uv_mm)).ravel()
    order = np.argsort(keys, kind="stable")
    first = np.flatnonzero(keys[order][1:] == keys[order][:-1])
    left, right = order[first], order[first + 1]
    a, b = faces.ravel()[left], faces[left // 3, (left + 1) % 3]
    c, d = faces[left // 3, (left + 2) % 3], faces[right // 3, (right + 2) % 3]
    angle = _angle(patches.uv_mm, a, c, b) + _angle(patches.uv_mm, a, d, b)
    excess = np.where((c < patches.rim_count) & (d < patches.rim_count), 0.0, angle - np.pi)
    worst = np.zeros(len(faces))
    np.maximum.at(worst, left // 3, excess)
    np.maximum.at(worst, right // 3, excess)
    chosen = (excess > LEAST_EXCESS) & (excess >= worst[left // 3]) & (excess >= worst[right // 3])
    # edges of equal excess may still share a face: the first of them is flipped
    owner = np.full(len(faces), len(left))
    rows = np.flatnonzero(chosen)
    np.minimum.at(owner, left[rows] // 3, rows)
    np.minimum.at(owner, right[rows] // 3, rows)
    rows = rows[(owner[left[rows] // 3] == rows) & (owner[right[rows] // 3] == rows)]
    faces[left[rows] // 3] = np.column_stack([a[rows], d[rows], c[rows]])
    faces[right[rows] // 3] = np.column_stack([d[rows], b[rows], c[rows]])
    return np.concatenate([left[rows] // 3, right[rows] // 3])


def _angle(uv_mm, a, corner, b):
    """Angle at ``corner`` between a and b, radians."""
    to_a, to_b = uv_mm[a] - uv_mm[corner], uv_mm[b] - uv_mm[corner]
    cross = to_a[:, 0] * to_b[:, 1] - to_a[:, 1] * to_b[:, 0]
    return np.arctan2(np.abs(cross), np.einsum("ij,ij->i", to_a, to_b))


def signed_area(patches: Patches) -> np.ndarray:
    """Twice the area of each face in its plane, (m,) mm2, positive where it is anticlockwise."""
    a, b, c = (patches.uv_mm[patches.faces[:, at]] for at in range(3))
    return (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])


def _smooth(patches):
    """Move each inner point to the mean of its neighbours; points of faces that this would turn over stay."""
    graph = adjacency(patches)
    degree = np.maximum(np.asarray(graph.sum(axis=1)).ravel(), 1)
    moved = (graph @ patches.uv_mm) / degree[:, None]
    moved[: patches.rim_count] = patches.uv_mm[: patches.rim_count]
    least = LEAST_AREA * np.median(signed_area(patches))
    for _ in range(SMOOTH_ROUNDS):
        bad = patches.faces[signed_area(replace(patches, uv_mm=moved)) < least]
        back = np.unique(bad)
        back = back[(moved[back] != patches.uv_mm[back]).any(axis=1)]
        if not len(back):
            return replace(patches, uv_mm=moved)
        moved[back] = patches.uv_mm[back]
    return patches


def adjacency(patches: Patches) -> Any:
    """Which vertices an edge joins, (n, n) sparse array of ones."""
    a = patches.faces.ravel()
    b = np.roll(patches.faces, -1, axis=1).ravel()
    count = len(patches.uv_mm)
    graph = sparse.coo_array((np.ones(2 * len(a)), (np.r_[a, b], np.r_[b, a])), shape=(count, count)).tocsr()
    graph.data[:] = 1.0
    return graph


def harmonic(patches: Patches, rim_values: np.ndarray) -> np.ndarray:
    """Extend values at the rim, (rim_count, k), to the inner points, (n - rim_count, k): each is the mean of its
    neighbours."""
    count, rim = len(patches.uv_mm), patches.rim_count
    if count == rim:
        return np.empty((0, rim_values.shape[1]))
    graph = adjacency(patches)[rim:]
    degree = np.asarray(graph.sum(axis=1)).ravel()
    matrix = (sparse.diags_array(degree) - graph[:, rim:]).tocsc()
    solver = splu(matrix, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True})
    return solver.solve(np.ascontiguousarray(graph[:, :rim] @ rim_values))
