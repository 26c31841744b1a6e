"""Lifts plane patches onto a continuation of the measured surface around their gaps.

Each point is lifted to a quadric fitted to the measured surface around the gap, plus the rim's deviation from that
quadric, extended inwards as a harmonic function. The quadric follows the curvature and averages the noise of many
measured points; the harmonic part makes the patch meet the rim exactly.
"""

import numpy as np
from numba import njit

from nightbay.fill import patch
from nightbay.fill.patch import Patches
from nightbay.meshes import topology

# Singular values below this share of the largest are left out of a fit: common practice, no source. Points that lie in
# a strip fit a flatter surface then.
SINGULAR = 1e-3


def plane_frames(axes: np.ndarray) -> np.ndarray:
    """Right-handed frames, (l, 3, 3) with rows u, v and the axis, of unit axes (l, 3)."""
    least = np.argmin(np.abs(axes), axis=1)
    u = np.cross(axes, np.eye(3)[least])
    u /= np.linalg.norm(u, axis=1, keepdims=True)
    return np.stack([u, np.cross(axes, u), axes], axis=1)


def surroundings(
    faces: np.ndarray, vertex_count: int, rims: list[np.ndarray], rings: int
) -> tuple[np.ndarray, np.ndarray]:
    """The measured vertices within ``rings`` edges of each rim.

    ``faces`` (m, 3) of ``vertex_count`` vertices; ``rims``: list of (k,) vertex numbers. Returns (patch, vertex) as two
    (p,) arrays, sorted by patch, then vertex.
    """
    start, of = topology.incidence(faces, vertex_count)
    sizes = [len(rim) for rim in rims]
    vertex, counts = _within(faces, start, of, np.concatenate(rims), np.cumsum([0, *sizes]), rings)
    return np.repeat(np.arange(len(rims)), counts), vertex


@njit(cache=True)
def _within(faces, start, of, rim, rim_start, rings):
    """The vertices within ``rings`` edges of each rim, rim after rim and sorted, and how many each has."""
    reached = np.full(len(start) - 1, -1, np.int32)  # the last rim that reached a vertex
    found, counts = [np.int64(0) for _ in range(0)], np.zeros(len(rim_start) - 1, np.int64)
    for number in range(len(counts)):
        first = last = len(found)
        for vertex in rim[rim_start[number] : rim_start[number + 1]]:
            reached[vertex] = number
            found.append(vertex)
        for _ in range(rings):
            begin, last = last, len(found)
            for at in range(begin, last):
                for face in of[start[found[at]] : start[found[at] + 1]]:
                    for vertex in faces[face]:
                        if reached[vertex] != number:
                            reached[vertex] = number
                            found.append(np.int64(vertex))
        counts[number] = len(found) - first
    vertices = np.array(found, dtype=np.int64)
    ends = np.cumsum(counts)
    for number in range(len(counts)):
        vertices[ends[number] - counts[number] : ends[number]].sort()
    return vertices, counts


def fit_quadrics(uvw_mm: np.ndarray, owner: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Least-squares w = quadric(u, v) for each of ``count`` patches; ``uvw_mm`` (p, 3), ``owner`` (p,) sorted.

    Returns coefficients (count, 6) of 1, u, v, u2, uv, v2, and the standard deviation about the quadric, (count,) mm.
    Where the points are too few or too badly distributed for a quadric, the solution of least norm is taken,
    which is flatter.
    """
    start = np.searchsorted(owner, np.arange(count + 1))
    coefficients, spread = np.zeros((count, 6)), np.zeros(count)
    for number in range(count):
        point = uvw_mm[start[number] : start[number + 1]]
        scale = np.abs(point[:, :2]).max()
        design = terms(point[:, :2] / scale)
        solution, *_ = np.linalg.lstsq(design, point[:, 2], rcond=SINGULAR)
        spread[number] = np.sqrt(np.sum((point[:, 2] - design @ solution) ** 2) / max(1, len(point) - 6))
        coefficients[number] = solution / scale ** np.array([0, 1, 1, 2, 2, 2])
    return coefficients, spread


def terms(uv: np.ndarray) -> np.ndarray:
    """1, u, v, u2, uv, v2 of points (n, 2) as (n, 6)."""
    u, v = uv.T
    return np.column_stack([np.ones(len(u)), u, v, u * u, u * v, v * v])


def lift(patches: Patches, coefficients: np.ndarray, rim_w_mm: np.ndarray) -> np.ndarray:
    """Heights of the inner points over their planes, (n - rim_count,) mm, which meet ``rim_w_mm`` (rim_count,).

    ``coefficients`` (g, 6) of each patch's quadric, as :func:`fit_quadrics` gives them.
    """
    quadric = np.einsum("ij,ij->i", terms(patches.uv_mm), coefficients[patches.patch_of_vertex])
    departure = rim_w_mm - quadric[: patches.rim_count]
    return quadric[patches.rim_count :] + patch.harmonic(patches, departure[:, None])[:, 0]
