"""Pieces of a surface that stand apart from the rest."""

import numpy as np
from scipy import ndimage

CELL_MM = 20.0  # flakes that are no further apart than one to two cells belong together: trim is often torn into such


def loose(vertices_mm, areas, least_mm2):
    """Vertices, (n,) bool, of pieces whose ``areas``, (n,) mm2 a vertex, add up to less than ``least_mm2``.

    A piece is what hangs together on a grid of :data:`CELL_MM`, with the faces or without.
    """
    found = np.zeros(len(areas), bool)
    used = np.flatnonzero(areas > 0.0)
    if not len(used):
        return found
    cell = np.floor(vertices_mm[used] / np.float32(CELL_MM)).astype(np.int32)
    cell -= cell.min(axis=0)
    grid = np.zeros(cell.max(axis=0) + 1, bool)
    grid[tuple(cell.T)] = True
    piece = ndimage.label(grid, np.ones((3, 3, 3)))[0][tuple(cell.T)]
    found[used] = np.bincount(piece, areas[used])[piece] < least_mm2
    return found
