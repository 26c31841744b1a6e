"""Pieces of a surface that are separate from the rest."""

import numpy as np
from scipy import ndimage

from nightbay.meshes import vertices
from nightbay.meshes.surface import spans

CELL_MM = 20.0  # flakes that are no further apart than one to two cells belong together: trim is often torn into such


def loose(vertices_mm: np.ndarray, areas: np.ndarray, least_mm2: float) -> np.ndarray:
    """Vertices, (n,) bool, of pieces whose ``areas``, (n,) mm2 a vertex, add up to less than ``least_mm2``.

    ``vertices_mm`` (n, 3). A piece is a connected component of the cells of :data:`CELL_MM` that hold surface, which
    touch by a side, an edge or a corner; faces don't matter.
    """
    found = np.zeros(len(areas), bool)
    bounds = vertices.bounds(vertices_mm, areas)
    if bounds is None:
        return found
    low, high = _cells(bounds)
    grid = np.zeros(high - low + 1, bool)
    for rows in spans(len(areas)):
        grid[tuple((_cells(vertices_mm[rows][areas[rows] > 0.0]) - low).T)] = True
    piece, count = ndimage.label(grid, np.ones((3, 3, 3)))
    total = np.zeros(count + 1)
    for rows in spans(len(areas)):
        total += np.bincount(_piece(piece, vertices_mm[rows], areas[rows], low), areas[rows], minlength=count + 1)
    for rows in spans(len(areas)):
        found[rows] = (total < least_mm2)[_piece(piece, vertices_mm[rows], areas[rows], low)] & (areas[rows] > 0.0)
    return found


def _cells(vertices_mm):
    return np.floor(vertices_mm / np.float32(CELL_MM)).astype(np.int32)


def _piece(piece, vertices_mm, areas, low):
    """Number of the piece of each vertex, (k,); 0 where it has no area."""
    number = np.zeros(len(areas), np.int64)
    used = areas > 0.0
    number[used] = piece[tuple((_cells(vertices_mm[used]) - low).T)]
    return number
