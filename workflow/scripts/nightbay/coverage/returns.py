"""What comes back from a hole: scattered points, as from glass, or nothing."""

import numpy as np
from scipy import ndimage

from nightbay.coverage import views
from nightbay.coverage.views import Grid

# Glass and chrome return a few per cent of their points, stray ones included; places that no view reached return none.
# A place was looked at where this share of its points came back, from this many of its quarters, within a depth of the
# continued surface; or as many as surface needs, from wherever.
LEAST_RETURNED, LEAST_QUARTERS, DEPTH_MM = 0.005, 3, 150.0
BESIDE_CELLS = 1  # cells of a hole's margin, which points of its edge fill


def inner(mask: np.ndarray) -> np.ndarray:
    """The cells of a hole without its margin, or all of a narrow one."""
    found = ndimage.binary_erosion(mask, iterations=BESIDE_CELLS)
    return found if found.any() else mask


def returned(
    grid: Grid, mask: np.ndarray, depth_mm: np.ndarray, points_mm: np.ndarray, density: float
) -> tuple[float, bool]:
    """Points in a hole against those that surface would have, and whether they come from all over it.

    ``depth_mm`` (k,): how far towards the viewer the surface would lie that closes the hole, for the cells of ``mask``;
    ``points_mm`` (n, 3): all points; ``density``: points of surface in a cell.
    """
    middle_part = inner(mask)
    column, row = grid.cells(points_mm)
    inside = middle_part[column, row]
    column, row = column[inside], row[inside]
    level = np.full(mask.shape, np.nan)
    level[mask] = depth_mm
    near = np.abs(points_mm[inside] @ grid.toward - level[column, row]) < DEPTH_MM
    cells = np.column_stack([column, row])[near]
    middle = np.argwhere(middle_part).mean(axis=0)
    quarters = np.bincount((cells > middle) @ [1, 2], minlength=4)
    share = len(cells) / max(1.0, np.count_nonzero(middle_part) * density)
    spread = np.count_nonzero(quarters) >= LEAST_QUARTERS
    return float(share), bool(share >= (LEAST_RETURNED if spread else views.FILLED))
