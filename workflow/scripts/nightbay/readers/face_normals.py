"""Normals of a mesh's points from its faces, compiled: to import this takes longer than to read most clouds."""

import numpy as np
from numba import njit


@njit(cache=True)
def add(normal: np.ndarray, xyz: np.ndarray, faces: np.ndarray) -> None:
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
