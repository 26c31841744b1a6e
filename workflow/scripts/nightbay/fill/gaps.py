"""Classes of boundary loops: a gap to close, an opening to leave, the edge of what was scanned."""

from dataclasses import dataclass

import numpy as np
from numba import njit

from nightbay.meshes import topology, vertices
from nightbay.meshes.topology import Loops

# A gap is closed. An opening stays: it is larger than the limit, at the rim of a sheet, or folded (no patch fits it).
# An outer boundary is the edge of a piece of surface.
GAP, LARGE, OUTER, RIM, FOLDED = "gap", "large", "outer", "rim", "folded"


@dataclass(frozen=True)
class Shapes:
    """One row a loop: ``centre_mm``, ``low_mm``, ``high_mm`` (l, 3); ``axis`` (l, 3), the unit normal of the loop's
    vector area, towards the outside for a hole; ``area_mm2`` and ``perimeter_mm`` (l,); ``facing`` (l,), the mean
    cosine between ``axis`` and the surface's normals along the loop: near 1 for a hole in a sheet, near 0 where a cap
    would run across the sheet (the end of a tube, the slit between two sheets), near -1 for an outer boundary.
    """

    centre_mm: np.ndarray
    low_mm: np.ndarray
    high_mm: np.ndarray
    axis: np.ndarray
    area_mm2: np.ndarray
    perimeter_mm: np.ndarray
    facing: np.ndarray


def shapes(loops: Loops, vertices_mm: np.ndarray, faces: np.ndarray) -> Shapes:
    """Measure all loops at once; ``vertices_mm`` (n, 3) and ``faces`` (m, 3) with all faces at the loops' vertices."""
    if not len(loops):
        return Shapes(*(np.empty((0, 3)) for _ in range(4)), *(np.empty(0) for _ in range(3)))
    near = topology.touching(faces, loops.vertices, len(vertices_mm))
    used = topology.compact(near)
    normals = vertices.normals_of_all(vertices_mm[used], near)[np.searchsorted(used, loops.vertices)]
    loop, start = loops.loop_of_vertex, loops.start[:-1]
    point = vertices_mm[loops.vertices].astype(np.float64)
    after = np.arange(len(point)) + 1
    after[loops.start[1:] - 1] = start
    centre = np.add.reduceat(point, start) / loops.sizes[:, None]
    to, to_next = point - centre[loop], point[after] - centre[loop]
    length = np.linalg.norm(to_next - to, axis=1)
    # the half-edges run clockwise about a hole, so the cap's own normal is the opposite of their vector area
    vector = -np.add.reduceat(np.cross(to, to_next), start) / 2
    area = np.linalg.norm(vector, axis=1)
    axis = np.divide(vector, area[:, None], out=np.zeros_like(vector), where=area[:, None] > 0)
    perimeter = np.add.reduceat(length, start)
    facing = np.add.reduceat(length * np.einsum("ij,ij->i", normals, axis[loop]), start)
    return Shapes(
        centre_mm=centre,
        low_mm=np.minimum.reduceat(point, start),
        high_mm=np.maximum.reduceat(point, start),
        axis=axis,
        area_mm2=area,
        perimeter_mm=perimeter,
        facing=np.divide(facing, perimeter, out=np.zeros_like(facing), where=perimeter > 0),
    )


def classify(
    loops: Loops, shape: Shapes, vertices_mm: np.ndarray, largest_mm: float, largest_tilt_deg: float
) -> np.ndarray:
    """One of :data:`GAP`, :data:`LARGE`, :data:`OUTER`, :data:`RIM` for each loop, (l,) array of str.

    ``shape`` of the ``loops``, whose numbers are those of ``vertices_mm`` (n, 3). ``largest_mm``: greatest distance of
    two boundary points of a gap. ``largest_tilt_deg``: greatest mean angle between the cap and the surface at its
    boundary; beyond it the loop is a ``rim``, or an ``outer`` boundary where the cap would face backwards.
    """
    least = np.cos(np.radians(largest_tilt_deg))
    kind = np.where(shape.facing <= -least, OUTER, np.where(shape.facing < least, RIM, GAP)).astype("<U8")
    side = (shape.high_mm - shape.low_mm).max(axis=1)
    for number in np.flatnonzero(kind == GAP):
        if side[number] > largest_mm or _diameter(vertices_mm[loops[number]].astype(np.float64)) > largest_mm:
            kind[number] = LARGE
    return kind


@njit(cache=True)
def _diameter(points):
    """Greatest distance of two of the points, (n, 3)."""
    most = 0.0
    for i in range(len(points)):
        for j in range(i):
            d = points[i] - points[j]
            most = max(most, d[0] * d[0] + d[1] * d[1] + d[2] * d[2])
    return np.sqrt(most)
