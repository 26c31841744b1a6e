"""Moves inner vertices of plane patches out of thin faces, so that no face is thinner than its rim makes it.

Where rim points lie all but in line, or a hundredth of the spacing apart, the Delaunay triangulation has faces so thin
that their height is lost in single precision.
"""

from dataclasses import replace

import numpy as np
from numba import njit

from nightbay.meshes import topology

THIN = 0.1  # faces of a lesser height, of what their size allows, are widened: grids have 0.87, and few are as bad
SWEEPS = 3  # over the vertices of thin faces; a fourth hardly changes anything
TURNS = np.column_stack([np.cos(np.arange(8) * np.pi / 4), np.sin(np.arange(8) * np.pi / 4)])


def widen(patches, spacing_mm):
    """Patches whose thinnest faces are as high as a search about their inner vertices can make them.

    A face's height is its least one, and counts as a share of the spacing or of the face's own rim edge, which stays,
    where that is shorter. No face gets thinner than the thinnest beside it was, so none is turned over.
    """
    faces = patches.faces
    sides = np.stack([faces, np.roll(faces, -1, axis=1)], axis=2)
    length = np.linalg.norm(patches.uv_mm[sides[..., 0]] - patches.uv_mm[sides[..., 1]], axis=2)
    on_rim = (sides < patches.rim_count).all(axis=2)
    size = np.minimum(np.where(on_rim, length, np.inf).min(axis=1), spacing_mm)
    start, of = topology.incidence(faces, len(patches.uv_mm))
    uv = patches.uv_mm.copy()
    for _ in range(SWEEPS):
        _sweep(uv, faces, start, of, size, patches.rim_count, spacing_mm / 2)
    return replace(patches, uv_mm=uv)


@njit(cache=True)
def _sweep(uv, faces, start, of, size, rim_count, widest):
    """Move each inner vertex of a thin face, in place: steps of ``widest`` and down to a thousandth of that, each to
    the best of eight places around, as long as that betters the thinnest face."""
    for vertex in range(rim_count, len(uv)):
        mine = of[start[vertex] : start[vertex + 1]]
        best = _thinnest(uv, faces, mine, size)
        if best >= THIN:
            continue
        step = widest
        while step > 1e-3 * widest:
            here = uv[vertex].copy()
            place = here.copy()
            for turn in TURNS:
                uv[vertex] = here + step * turn
                height = _thinnest(uv, faces, mine, size)
                if height > best:
                    best = height
                    place = uv[vertex].copy()
            uv[vertex] = place
            if (place == here).all():
                step /= 2


@njit(cache=True)
def _thinnest(uv, faces, rows, size):
    """Least height of the faces ``rows`` over their ``size``."""
    least = np.inf
    for row in rows:
        a, b, c = uv[faces[row, 0]], uv[faces[row, 1]], uv[faces[row, 2]]
        area = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
        longest = 0.0
        for p, q in ((a, b), (b, c), (c, a)):
            longest = max(longest, (p[0] - q[0]) ** 2 + (p[1] - q[1]) ** 2)
        least = min(least, area / (np.sqrt(longest) * size[row]) if longest > 0 else 0.0)
    return least
