"""Lifts plane patches onto a continuation of the measured surface around their gaps."""

import numpy as np
from scipy import sparse

from nightbay import patch, topology


def plane_frames(axes):
    """Right-handed frames, (l, 3, 3) with rows u, v and the axis, of unit axes (l, 3)."""
    least = np.argmin(np.abs(axes), axis=1)
    u = np.cross(axes, np.eye(3)[least])
    u /= np.linalg.norm(u, axis=1, keepdims=True)
    return np.stack([u, np.cross(axes, u), axes], axis=1)


def surroundings(faces, vertices_count, rims, rings):
    """The measured vertices within ``rings`` edges of each rim.

    ``rims``: list of (k,) vertex numbers. Returns (patch, vertex) as two (p,) arrays, sorted by patch, then vertex.
    """
    every = np.concatenate(rims)
    near = every
    for _ in range(rings):
        around = topology.touching(faces, near, vertices_count)
        near = np.unique(around)
    used, local = near, np.searchsorted(near, around)
    a, b = local.ravel(), np.roll(local, -1, axis=1).ravel()
    step = sparse.coo_array((np.ones(len(a), np.int32), (a, b)), shape=(len(used), len(used))).tocsr()
    step = step + step.T + sparse.eye_array(len(used), dtype=np.int32, format="csr")
    step.data[:] = 1
    owner = np.repeat(np.arange(len(rims)), [len(rim) for rim in rims])
    reach = sparse.coo_array(
        (np.ones(len(every), np.int32), (owner, np.searchsorted(used, every))), shape=(len(rims), len(used))
    ).tocsr()
    for _ in range(rings):
        reach = reach @ step
        reach.data[:] = 1
    reach.sort_indices()
    return np.repeat(np.arange(len(rims)), np.diff(reach.indptr)), used[reach.indices]


def fit_quadrics(uvw_mm, owner, count):
    """Least-squares w = quadric(u, v) for each of ``count`` patches; ``uvw_mm`` (p, 3), ``owner`` (p,) sorted.

    Returns coefficients (count, 6) of 1, u, v, u2, uv, v2, and the standard deviation about the quadric, (count,) mm.
    Where points are too few or too ill placed for a quadric, the solution of least norm is taken, which is flatter.
    """
    start = np.searchsorted(owner, np.arange(count + 1))
    coefficients, spread = np.zeros((count, 6)), np.zeros(count)
    for number in range(count):
        point = uvw_mm[start[number] : start[number + 1]]
        scale = np.abs(point[:, :2]).max()
        design = terms(point[:, :2] / scale)
        solution, *_ = np.linalg.lstsq(design, point[:, 2], rcond=1e-3)
        spread[number] = np.sqrt(np.sum((point[:, 2] - design @ solution) ** 2) / max(1, len(point) - 6))
        coefficients[number] = solution / scale ** np.array([0, 1, 1, 2, 2, 2])
    return coefficients, spread


def terms(uv):
    """1, u, v, u2, uv, v2 of points (n, 2) as (n, 6)."""
    u, v = uv.T
    return np.column_stack([np.ones(len(u)), u, v, u * u, u * v, v * v])


def lift(patches, coefficients, rim_w_mm):
    """Heights of the inner points over their planes, (n - rim_count,) mm, that meet ``rim_w_mm`` (rim_count,)."""
    quadric = np.einsum("ij,ij->i", terms(patches.uv_mm), coefficients[patches.patch_of_vertex])
    departure = rim_w_mm - quadric[: patches.rim_count]
    return quadric[patches.rim_count :] + patch.harmonic(patches, departure[:, None])[:, 0]
