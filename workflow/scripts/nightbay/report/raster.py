"""Draws triangle meshes from afar: an orthographic depth buffer, without a graphics card.

Own code instead of Open3D's ray casting: a side view of 552 959 faces, 2836 x 1055 pixels, one thread, best of three
runs, took 0.14 s of CPU time against 1.25 s, with a peak of 394 MB against 662 MB. All but 6 of a million pixels see
the same face.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit


@dataclass(frozen=True)
class Raster:
    """What each pixel sees.

    ``face`` (h, w) int32, -1 where nothing; ``depth_mm`` (h, w) float32 towards the viewer; ``weights`` (h, w, 3)
    float32 barycentric; ``left_mm``, ``top_mm`` the centre of the picture's first pixel and ``pixel_mm`` its scale.
    """

    face: np.ndarray
    depth_mm: np.ndarray
    weights: np.ndarray
    left_mm: float
    top_mm: float
    pixel_mm: float

    @property
    def seen(self) -> np.ndarray:
        """Where the picture shows the mesh, (h, w) bool."""
        return self.face >= 0

    def interpolate(self, faces: np.ndarray, values: np.ndarray) -> np.ndarray:
        """Values of the vertices, (n, k), at the pixels where the mesh is seen, row by row: (p, k)."""
        mixed = np.empty((np.count_nonzero(self.seen), values.shape[1]), np.result_type(self.weights, values))
        _mix(self.face, self.weights, faces, values, mixed)
        return mixed


def draw(
    vertices_mm: np.ndarray,
    faces: np.ndarray,
    axes: np.ndarray,
    pixel_mm: float,
    cull: bool = False,
    margin_mm: float = 0.0,
) -> Raster:
    """Draw a mesh, vertices (n, 3) and faces (m, 3), seen along the third row of ``axes``.

    ``axes`` (3, 3): unit vectors to the picture's right, to its top, and towards the viewer. ``cull``: leave out faces
    that turn their back to the viewer, to look through a wall into a room. ``margin_mm``: empty margin of the picture.
    """
    seen = vertices_mm.astype(np.float64) @ np.asarray(axes, np.float64).T
    low, high = seen[:, :2].min(axis=0) - margin_mm, seen[:, :2].max(axis=0) + margin_mm
    width, height = (np.ceil((high - low) / pixel_mm).astype(int) + 1).tolist()
    pixels = np.column_stack([(seen[:, 0] - low[0]) / pixel_mm, (high[1] - seen[:, 1]) / pixel_mm, seen[:, 2]])
    face = np.full((height, width), -1, np.int32)
    depth = np.full((height, width), -np.inf, np.float32)
    weights = np.zeros((height, width, 3), np.float32)
    _rasterise(pixels, np.ascontiguousarray(faces), cull, face, depth, weights)
    return Raster(face, depth, weights, float(low[0]), float(high[1]), float(pixel_mm))


@njit(cache=True)
def _mix(face, weights, faces, values, mixed):
    """Write the values at the pixels that see a face, row by row."""
    at = 0
    for row in range(face.shape[0]):
        for column in range(face.shape[1]):
            if face[row, column] >= 0:
                a, b, c = faces[face[row, column]]
                for k in range(values.shape[1]):
                    mixed[at, k] = (
                        weights[row, column, 0] * values[a, k]
                        + weights[row, column, 1] * values[b, k]
                        + weights[row, column, 2] * values[c, k]
                    )
                at += 1


@njit(cache=True)
def _rasterise(pixels, faces, cull, face, depth, weights):
    """Fill the buffers: a pixel belongs to the nearest face that holds its centre, the first of equals."""
    height, width = face.shape
    for number in range(len(faces)):
        a, b, c = pixels[faces[number, 0]], pixels[faces[number, 1]], pixels[faces[number, 2]]
        # rows grow downwards, so a face that looks at the viewer has a negative area here
        area = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
        if area == 0.0 or (cull and area > 0.0):
            continue
        first = max(0, int(np.ceil(min(a[1], b[1], c[1]))))
        last = min(height - 1, int(np.floor(max(a[1], b[1], c[1]))))
        left = max(0, int(np.ceil(min(a[0], b[0], c[0]))))
        right = min(width - 1, int(np.floor(max(a[0], b[0], c[0]))))
        for row in range(first, last + 1):
            for column in range(left, right + 1):
                u = ((b[0] - column) * (c[1] - row) - (b[1] - row) * (c[0] - column)) / area
                v = ((c[0] - column) * (a[1] - row) - (c[1] - row) * (a[0] - column)) / area
                w = 1.0 - u - v
                if u < -1e-9 or v < -1e-9 or w < -1e-9:
                    continue
                z = u * a[2] + v * b[2] + w * c[2]
                if z > depth[row, column]:
                    depth[row, column] = z
                    face[row, column] = number
                    weights[row, column, 0] = u
                    weights[row, column, 1] = v
                    weights[row, column, 2] = w
