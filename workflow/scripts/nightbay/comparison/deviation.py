"""The signed deviation of points from a surface, positive outside."""

from dataclasses import dataclass

import numpy as np

from nightbay.meshes import nearest, surface
from nightbay.meshes.surface import Surface

# Least cosine between the normals of a point and of the surface there, and between the normal and the way from the
# surface to the point: about 45 degrees. Beyond it, the point lies beside the surface or faces another sheet of it.
# Common practice, no source.
ALIKE = 0.7


@dataclass(frozen=True)
class Deviation:
    """``value_mm`` (n,) of each point from the surface, NaN where it has no counterpart within the limit; ``at_mm``
    (n, 3), the counterpart, ``facing`` (n, 3), the surface's unit normal there, and ``face`` (n,) int64, on which it
    lies; these hold only with a counterpart."""

    value_mm: np.ndarray
    at_mm: np.ndarray
    facing: np.ndarray
    face: np.ndarray


def signed(points_mm: np.ndarray, normals: np.ndarray, target: Surface, limit_mm: float) -> Deviation:
    """The :class:`Deviation` of points (n, 3) with unit ``normals`` (n, 3) from a surface in the same frame.

    It is the distance to the nearest point of any face, along that face's normal. A point has no counterpart where the
    surface ends beside it or faces another way. The face columns of the surface may lie on disk.
    """
    found = nearest.nearest(points_mm, target, min(limit_mm, _edge_mm(target)), limit_mm)
    near = np.flatnonzero(found.distance_mm <= limit_mm)
    face = found.face[near]
    corners = target.vertices_mm[target.faces[face]].astype(np.float64)
    facing = np.zeros((len(points_mm), 3))
    facing[near] = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(facing, axis=1, keepdims=True)
    np.divide(facing, length, out=facing, where=length > 0.0)
    along = np.einsum("ij,ij->i", points_mm - found.point_mm, facing)
    alike = np.einsum("ij,ij->i", np.asarray(normals, np.float64), facing) > ALIKE
    met = alike & (found.distance_mm <= limit_mm) & (np.abs(along) >= ALIKE * found.distance_mm)
    return Deviation(np.where(met, np.copysign(found.distance_mm, along), np.nan), found.point_mm, facing, found.face)


def _edge_mm(target: Surface) -> float:
    """Edge of an equilateral triangle with the mean area of the faces, mm; one where there are none."""
    count = len(target.faces)
    return float(np.sqrt(4.0 / np.sqrt(3.0) * surface.area_mm2(target) / count)) if count else 1.0
