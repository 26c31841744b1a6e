"""The mirror image of one side of a vehicle where the other was not scanned: surface that is made up, and says so."""

from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from nightbay.core import thinning
from nightbay.meshes import surface
from nightbay.meshes.surface import Surface

CLEAR_MM = 20.0  # from the measured surface; a strip of that width stays open between the two
THINNED_MM = 10.0  # spacing of the measured vertices from which the distance is taken


def image(measured: Surface, sign: float) -> Surface:
    """The mirror image about Y = 0 of what was measured on one side, without what lies near the measured surface.

    ``sign`` of Y on the side that is mirrored. The result is numbered on its own and has the attributes of ``measured``
    with no points, no confidence and no spread; its faces are marked as filled and turned so that they face outwards.
    The columns of ``measured`` may lie on disk; the image is held in memory.
    """
    xyz = measured.vertices_mm[:]
    faces = [np.empty((0, 3), np.int32)]
    for span in surface.spans(len(measured.faces)):
        some = measured.faces[span]
        faces.append(some[np.all(sign * xyz[some, 1] > 0.0, axis=1)])
    corners = np.concatenate(faces)
    used = np.unique(corners)
    points = xyz[used] * np.array([1.0, -1.0, 1.0], np.float32)
    near = xyz[sign * xyz[:, 1] < CLEAR_MM + THINNED_MM]
    near = near[thinning.thin(near, THINNED_MM)]
    free = np.ones(len(used), bool)
    if len(near) and len(used):
        distance, _ = cKDTree(near).query(points, distance_upper_bound=CLEAR_MM)
        free = ~np.isfinite(distance)
    rows = np.searchsorted(used, corners)
    rows = rows[free[rows].all(axis=1)][:, ::-1]
    kept = np.unique(rows)
    number = np.full(len(used), -1, np.int32)
    number[kept] = np.arange(len(kept), dtype=np.int32)
    return Surface(
        points[kept],
        np.ascontiguousarray(number[rows]),
        {name: _value(name, column, used[kept]) for name, column in measured.vertex.items()},
        {"filled": np.ones(len(corners), np.uint8)},
    )


def _value(name: str, column: Any, rows: np.ndarray) -> np.ndarray:
    """An attribute of the image's vertices, whose originals are ``rows``: their colour, and nothing of what was
    measured."""
    if name in ("red", "green", "blue"):
        return column[rows]
    return np.full(len(rows), np.nan if name == "spread_mm" else 0.0, np.float32)


def joined(first: Surface, second: Surface, count: int) -> Surface:
    """Two surfaces to append to one of ``count`` vertices as one; the faces of ``first`` are numbered with that one's,
    those of ``second`` on their own."""
    start = count + len(first.vertices_mm)
    return Surface(
        np.concatenate([first.vertices_mm, second.vertices_mm]),
        np.concatenate([first.faces, second.faces + np.int32(start)]).astype(np.int32),
        {name: np.concatenate([values[:], second.vertex[name]]) for name, values in first.vertex.items()},
        {"filled": np.concatenate([first.face["filled"], second.face["filled"]])},
    )
