"""Points spread evenly over a surface."""

import numpy as np

from nightbay.meshes import surface
from nightbay.meshes.surface import Surface

GOLDEN = np.array([0.7548776662466927, 0.5698402909980532])  # steps of the plane's low-discrepancy sequence


def sample(measured: Surface, count: int) -> np.ndarray:
    """Points spread evenly over the area of a surface, (count, 3) float64, as :func:`oriented` finds them."""
    return oriented(measured, count)[0]


def oriented(measured: Surface, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Points spread evenly over the area of a surface with the unit normals of their faces, (count, 3) float64 each.

    Systematic sampling of the faces by area; within a face by a low-discrepancy sequence (M. Roberts, "The unreasonable
    effectiveness of quasirandom sequences", 2018; value of the constant from memory). The face columns
    of the surface may lie on disk.
    """
    wanted = (np.arange(count) + 0.5) / count * surface.area_mm2(measured)
    corners, before = np.empty((count, 3), np.int32), 0.0
    for rows in surface.spans(len(measured.faces)):
        faces = measured.faces[rows]
        along = before + np.cumsum(surface.areas_of(measured.vertices_mm, faces))
        last = rows.stop == len(measured.faces)  # rounding may leave the very last ones beyond all faces
        first, end = np.searchsorted(wanted, (before, np.inf if last else along[-1]))
        row = np.searchsorted(along, wanted[first:end])
        corners[first:end] = faces[np.minimum(row, len(faces) - 1)]
        before = along[-1]
    s, t = (np.outer(GOLDEN, np.arange(1, count + 1)) % 1.0)[:, :, None]
    over = s + t > 1
    s, t = np.where(over, 1 - s, s), np.where(over, 1 - t, t)
    a, b, c = (measured.vertices_mm[corners[:, at]].astype(np.float64) for at in range(3))
    normals = np.cross(b - a, c - a)
    length = np.linalg.norm(normals, axis=1, keepdims=True)
    np.divide(normals, length, out=normals, where=length > 0.0)
    return a + s * (b - a) + t * (c - a), normals
