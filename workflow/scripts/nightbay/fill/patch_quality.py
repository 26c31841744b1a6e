"""Makes the thin faces of plane patches thicker by moving their inner vertices.

Where rim points lie nearly in line, or a hundredth of the spacing apart, the Delaunay triangulation has thin faces.
Their height can be lost in single precision.
"""

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numba import njit

from nightbay.fill.patch import Patches
from nightbay.meshes import topology

THIN = 0.1  # height over size below which a face is thin; it is 0.87 in an equilateral grid. This project's choice.
SWEEPS = 3  # over the vertices of thin faces; this project's choice
LEAST_STEP = 1e-3  # of a vertex, by the first step: half the spacing, halved ten times
DIRECTIONS = np.column_stack([np.cos(np.arange(8) * np.pi / 4), np.sin(np.arange(8) * np.pi / 4)])


class Mesh(NamedTuple):
    """Faces (m, 3) of patches; those at vertex v are ``of[start[v]:start[v + 1]]``; ``size`` (m,) mm, what the height
    of each is compared with."""

    faces: np.ndarray
    start: np.ndarray
    of: np.ndarray
    size: np.ndarray


def improve(patches: Patches, spacing_mm: float) -> Patches:
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
    mesh = Mesh(faces, start, of, size)
    uv = patches.uv_mm.copy()
    for _ in range(SWEEPS):
        _sweep(uv, mesh, patches.rim_count, spacing_mm / 2)
    return replace(patches, uv_mm=uv)


@njit(cache=True)
def _sweep(uv, mesh, rim_count, widest):
    """Move each inner vertex of a thin face, in place: a step goes to the best of eight positions around, ``widest``
    off at first, and is halved down to :data:`LEAST_STEP` where none makes the thinnest face thicker."""
    for vertex in range(rim_count, len(uv)):
        own = mesh.of[mesh.start[vertex] : mesh.start[vertex + 1]]
        best = _thinnest(uv, mesh, own)
        if best >= THIN:
            continue
        step = widest
        while step > LEAST_STEP * widest:
            here = uv[vertex].copy()
            position = here.copy()
            for direction in DIRECTIONS:
                uv[vertex] = here + step * direction
                height = _thinnest(uv, mesh, own)
                if height > best:
                    best = height
                    position = uv[vertex].copy()
            uv[vertex] = position
            if (position == here).all():
                step /= 2


@njit(cache=True)
def _thinnest(uv, mesh, rows):
    """Least height of the faces ``rows`` over their size."""
    faces = mesh.faces
    least = np.inf
    for row in rows:
        a, b, c = uv[faces[row, 0]], uv[faces[row, 1]], uv[faces[row, 2]]
        area = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
        longest = 0.0
        for p, q in ((a, b), (b, c), (c, a)):
            longest = max(longest, (p[0] - q[0]) ** 2 + (p[1] - q[1]) ** 2)
        least = min(least, area / (np.sqrt(longest) * mesh.size[row]) if longest > 0 else 0.0)
    return least
