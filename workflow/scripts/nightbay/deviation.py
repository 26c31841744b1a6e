"""Distances between two surfaces, sampled evenly by area, with memory bounded by a block of faces."""

from dataclasses import dataclass

import numpy as np

from nightbay import native, surface

BLOCK_FACES = 2_000_000  # faces searched at once: about 300 MB in the search tree
GOLDEN = np.array([0.7548776662466927, 0.5698402909980532])  # steps of the plane's low-discrepancy sequence


@dataclass(frozen=True)
class Nearest:
    """For each point: ``distance_mm`` (n,) to the surface, ``face`` (n,) int64 nearest, ``point_mm`` (n, 3) there."""

    distance_mm: np.ndarray
    face: np.ndarray
    point_mm: np.ndarray


def sample(measured, count):
    """Points spread evenly over the area of a surface, (count, 3) float64; the same ones each time.

    Systematic sampling of the faces by area; within a face by a low-discrepancy sequence (M. Roberts, "The unreasonable
    effectiveness of quasirandom sequences", 2018; value of the constant from memory).
    """
    area = surface.face_areas(measured)
    along = np.cumsum(area)
    row = np.searchsorted(along, (np.arange(count) + 0.5) / count * along[-1])
    row = np.minimum(row, len(area) - 1)
    s, t = (np.outer(GOLDEN, np.arange(1, count + 1)) % 1.0)[:, :, None]
    over = s + t > 1
    s, t = np.where(over, 1 - s, s), np.where(over, 1 - t, t)
    a, b, c = (measured.vertices_mm[measured.faces[row, at]].astype(np.float64) for at in range(3))
    return a + s * (b - a) + t * (c - a)


def nearest(points_mm, measured, reach_mm, threads=1):
    """The nearest point of a surface for each of ``points_mm``, (n, 3), as :class:`Nearest`.

    ``reach_mm``: distance that is expected to suffice; points farther off are searched again with twice as much.
    """
    found = Nearest(np.full(len(points_mm), np.inf), np.full(len(points_mm), -1, np.int64), np.array(points_mm))
    rows = np.arange(len(points_mm))
    while len(rows):
        _search(found, rows, points_mm, measured, np.arange(len(measured.faces)), reach_mm, threads)
        rows = rows[found.distance_mm[rows] > reach_mm]
        reach_mm *= 2
    return found


def _search(found, rows, points_mm, measured, faces, reach_mm, threads):
    """Search ``rows`` of the points among ``faces`` (row numbers), parted along the longest side while too many."""
    if not len(rows) or not len(faces):
        return
    low, high = points_mm[rows].min(axis=0), points_mm[rows].max(axis=0)
    axis = int(np.argmax(high - low))
    if len(faces) <= BLOCK_FACES or high[axis] - low[axis] <= 2 * reach_mm:
        _cast(found, rows, points_mm, measured, faces, threads)
        return
    middle = (low[axis] + high[axis]) / 2
    along = measured.vertices_mm[:, axis]
    lowest = np.minimum.reduce([along[measured.faces[faces, at]] for at in range(3)])
    highest = np.maximum.reduce([along[measured.faces[faces, at]] for at in range(3)])
    below = points_mm[rows, axis] < middle
    _search(found, rows[below], points_mm, measured, faces[lowest <= middle + reach_mm], reach_mm, threads)
    _search(found, rows[~below], points_mm, measured, faces[highest >= middle - reach_mm], reach_mm, threads)


def _cast(found, rows, points_mm, measured, faces, threads):
    """Search all the given faces at once; coordinates are centred, as the search tree holds them in float32."""
    o3d = native.open3d()
    corners = measured.faces[faces]
    used = np.zeros(len(measured.vertices_mm), bool)
    used[corners.ravel()] = True
    local = (np.cumsum(used, dtype=np.int32) - 1)[corners]
    centre = points_mm[rows].mean(axis=0)
    vertices = (measured.vertices_mm[used].astype(np.float64) - centre).astype(np.float32)
    scene = o3d.t.geometry.RaycastingScene(nthreads=threads)
    scene.add_triangles(o3d.core.Tensor(vertices), o3d.core.Tensor(local.astype(np.uint32)))
    query = (points_mm[rows] - centre).astype(np.float32)
    answer = scene.compute_closest_points(o3d.core.Tensor(query), nthreads=threads)
    point = answer["points"].numpy().astype(np.float64)
    found.distance_mm[rows] = np.linalg.norm(point - query.astype(np.float64), axis=1)
    found.face[rows] = faces[answer["primitive_ids"].numpy().astype(np.int64)]
    found.point_mm[rows] = point + centre


def figures(distance_mm):
    """Largest, root mean square and 95 % of distances, (n,), to 0.1 micrometres."""
    return {
        "max_mm": round(float(distance_mm.max()), 4),
        "rms_mm": round(float(np.sqrt(np.mean(distance_mm**2))), 4),
        "p95_mm": round(float(np.quantile(distance_mm, 0.95)), 4),
    }
