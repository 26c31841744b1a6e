"""Normals of a mesh's points from its faces."""

from collections.abc import Sequence

import numpy as np
from numba import njit

from nightbay.core.errors import Rejected


def check(faces: np.ndarray, count: int, name: str, first: int = 0) -> None:
    """Raise :class:`Rejected` for faces, (m, 3) int, that refer to a vertex outside 0..``count`` - 1.

    ``name``: name of the file in messages; ``first``: number of faces that come before these in the file.
    """
    wrong = np.any((faces < 0) | (faces >= count), axis=1)
    if wrong.any():
        row = int(np.argmax(wrong))
        vertex = int(faces[row][(faces[row] < 0) | (faces[row] >= count)][0])
        raise Rejected(
            f"{name}: face {first + row + 1} refers to vertex {vertex}, but there are {count} (0 to {count - 1}): it "
            "was cut short or damaged, copy or export it again."
        )


@njit(cache=True)
def add_normals(normal: np.ndarray, xyz: np.ndarray, faces: np.ndarray) -> None:
    """Add each face's area vector to its three corners: ``normal`` and ``xyz`` (n, 3) float64, ``faces`` (m, 3) int."""
    for face in range(faces.shape[0]):
        a, b, c = faces[face, 0], faces[face, 1], faces[face, 2]
        ux, uy, uz = xyz[b, 0] - xyz[a, 0], xyz[b, 1] - xyz[a, 1], xyz[b, 2] - xyz[a, 2]
        vx, vy, vz = xyz[c, 0] - xyz[a, 0], xyz[c, 1] - xyz[a, 1], xyz[c, 2] - xyz[a, 2]
        nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        for corner in (a, b, c):
            normal[corner, 0] += nx
            normal[corner, 1] += ny
            normal[corner, 2] += nz


def unit(normal: np.ndarray) -> np.ndarray:
    """Vectors (n, 3) at unit length as float32; zero stays zero."""
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    return np.divide(normal, length, out=np.zeros(normal.shape), where=length > 0).astype(np.float32)


def fans(polygons: Sequence[Sequence[int] | np.ndarray]) -> np.ndarray:
    """Triangles, (m, 3) int64, of polygons, each divided into a fan about its first corner.

    Polygons are lists of vertices; those with fewer than three corners are left out.
    """
    lengths = np.array([len(polygon) for polygon in polygons])
    parts = []
    for length in np.unique(lengths[lengths >= 3]):
        same = np.stack([polygons[int(row)] for row in np.flatnonzero(lengths == length)]).astype(np.int64)
        parts += [same[:, [0, corner, corner + 1]] for corner in range(1, length - 1)]
    return np.concatenate(parts) if parts else np.empty((0, 3), np.int64)
