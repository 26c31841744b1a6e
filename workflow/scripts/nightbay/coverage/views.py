"""Orthographic views along the axes of the vehicle: where surface faces the viewer, and how far out it lies."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

# Of each view: direction towards the viewer, and the axes to the right and up in the picture, in the design grid (X
# rearward, Y right, Z up). The underside is open by nature and is not looked at.
VIEWS = {
    "left": ((0, -1, 0), (1, 0, 0), (0, 0, 1)),
    "right": ((0, 1, 0), (-1, 0, 0), (0, 0, 1)),
    "front": ((-1, 0, 0), (0, -1, 0), (0, 0, 1)),
    "rear": ((1, 0, 0), (0, 1, 0), (0, 0, 1)),
    "top": ((0, 0, 1), (1, 0, 0), (0, 1, 0)),
}
# The same of the sides of a room, seen from its inside.
INSIDE = {
    "floor": ((0, 0, 1), (1, 0, 0), (0, 1, 0)),
    "roof": ((0, 0, -1), (1, 0, 0), (0, -1, 0)),
    "left wall": ((0, 1, 0), (-1, 0, 0), (0, 0, 1)),
    "right wall": ((0, -1, 0), (1, 0, 0), (0, 0, 1)),
    "front wall": ((1, 0, 0), (0, 1, 0), (0, 0, 1)),
    "rear wall": ((-1, 0, 0), (0, -1, 0), (0, 0, 1)),
}
FACING = 0.4  # least cosine of surface that is looked at: every normal is within 55 degrees of an axis
DEEP_MM = 250.0  # surface in a pit deeper than that lies behind an opening; a mirror reaches out less
# Surface is there where a cell and its eight neighbours hold this share of the points of plain surface. Dark trim gives
# a third of them and chrome a quarter, glass some per cent.
FILLED = 0.2
OCCUPIED = 0.5  # least share of those nine cells that hold points
MARGIN = 6  # cells round the points
CLOSED_CELLS = (
    2  # gaps of the silhouette up to twice as wide are bridged: points lie farther apart than cells in places
)


@dataclass(frozen=True)
class Grid:
    """Cells of a view: ``toward`` (3,), ``right`` (3,), ``up`` (3,); ``low_mm`` (2,) of the first cell, edge
    ``cell_mm``, ``shape`` (columns, rows)."""

    name: str
    toward: np.ndarray
    right: np.ndarray
    up: np.ndarray
    low_mm: np.ndarray
    cell_mm: float
    shape: tuple[int, int]

    def plane(self, points_mm: np.ndarray) -> np.ndarray:
        """Coordinates in the picture, (n, 2) mm, of points (n, 3)."""
        return np.column_stack([points_mm @ self.right, points_mm @ self.up])

    def cells(self, points_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Column and row, (n,) int each, of points (n, 3); those outside are clipped to the edge."""
        at = np.floor((self.plane(points_mm) - self.low_mm) / self.cell_mm).astype(np.int64)
        return np.clip(at[:, 0], 0, self.shape[0] - 1), np.clip(at[:, 1], 0, self.shape[1] - 1)

    def middles(self, mask: np.ndarray) -> np.ndarray:
        """Middles, (k, 2) mm, of the cells that ``mask`` marks."""
        return self.low_mm + (np.argwhere(mask) + 0.5) * self.cell_mm


@dataclass(frozen=True)
class View:
    """What is seen in a view; arrays over its cells.

    ``filled``: outer surface is there; ``density``: points against those of plain surface, at most 1, over a cell and
    its neighbours; ``depth_mm``: how far towards the viewer surface lies, outer or not, NaN where there is none;
    ``silhouette``: the vehicle is there, whether or not its surface was seen; ``slant``: cosine between
    the surface's normal and the direction of view, NaN where there is none.
    """

    grid: Grid
    filled: np.ndarray
    density: np.ndarray
    depth_mm: np.ndarray
    silhouette: np.ndarray
    slant: np.ndarray


def grid(name: str, points_mm: np.ndarray, cell_mm: float) -> Grid:
    """The cells of a view of all points, (n, 3) in the design grid, with a margin; symmetric to Y = 0."""
    toward, right, up = (np.array(axis, float) for axis in (VIEWS | INSIDE)[name])
    low, high = points_mm.min(axis=0), points_mm.max(axis=0)
    half = max(-low[1], high[1])
    corners = np.array([[low[0], -half, min(low[2], 0.0)], [high[0], half, high[2]]])
    plane = np.column_stack([corners @ right, corners @ up])
    first = np.floor(plane.min(axis=0) / cell_mm).astype(int) - MARGIN
    last = np.ceil(plane.max(axis=0) / cell_mm).astype(int) + MARGIN
    # the same whole number of cells on either side of Y = 0, so that a mirror image falls on cells
    for axis, towards in enumerate((right, up)):
        if towards[1]:
            last[axis] = max(last[axis], -first[axis])
            first[axis] = -last[axis]
    shape = (int(last[0] - first[0]), int(last[1] - first[1]))
    return Grid(name, toward, right, up, first * cell_mm, cell_mm, shape)


def view(cells: Grid, points_mm: np.ndarray, normals: np.ndarray, a_cell: float) -> View:
    """The view of points (n, 3) with unit normals (n, 3), both in the design grid; ``a_cell``: points of plain
    surface in a cell."""
    slant = normals @ cells.toward
    seen = slant > 0.0
    column, row = cells.cells(points_mm)
    flat = column * cells.shape[1] + row
    size = cells.shape[0] * cells.shape[1]
    depth = np.full(size, -np.inf)
    along = points_mm @ cells.toward
    np.maximum.at(depth, flat[seen], along[seen])
    outer = seen & (along > depth[flat] - 3 * cells.cell_mm)  # the nearest to the viewer of several surfaces
    count = np.bincount(flat[outer], minlength=size)
    total = np.bincount(flat[outer], slant[outer], minlength=size)
    with np.errstate(invalid="ignore"):
        mean_slant = (total / count).reshape(cells.shape)
    every = np.zeros(size, bool)
    every[flat] = True
    depth = depth.reshape(cells.shape)
    # at most plain surface a cell: one crowded cell is no surface round it
    capped = np.minimum(count, a_cell).reshape(cells.shape).astype(np.float32)
    density = ndimage.uniform_filter(capped, 3, mode="constant") / a_cell
    shown = density >= FILLED
    shown &= ndimage.uniform_filter((capped > 0).astype(np.float32), 3, mode="constant") >= OCCUPIED
    level = _filled_pits(np.where(shown, depth, -np.inf))
    with np.errstate(invalid="ignore"):
        outside = shown & ~(level - depth > DEEP_MM)
    return View(
        cells,
        outside,
        density,
        np.where(np.isfinite(depth), depth, np.nan),
        silhouette(every.reshape(cells.shape)),
        mean_slant,
    )


def _filled_pits(depth: np.ndarray) -> np.ndarray:
    """Depths with every pit filled to the lowest point of its brim: morphological reconstruction by erosion.

    Cells that hold nothing are pits too; what is open to the edge of the picture stays -inf.
    """
    level = np.full(depth.shape, np.inf)
    border = np.ones(depth.shape, bool)
    border[1:-1, 1:-1] = False
    level[border] = depth[border]
    while True:
        lower = np.maximum(ndimage.grey_erosion(level, footprint=np.ones((3, 3))), depth)
        if np.array_equal(lower, level):
            return level
        level = lower


def silhouette(occupied: np.ndarray) -> np.ndarray:
    """The outline of what is there, filled: whatever is enclosed belongs to the vehicle."""
    around = CLOSED_CELLS
    disc = np.hypot(*np.mgrid[-around : around + 1, -around : around + 1]) <= around
    padded = np.pad(occupied, around)
    closed = ndimage.binary_fill_holes(ndimage.binary_closing(padded, disc))
    closed = ndimage.binary_opening(closed, np.ones((3, 3)))
    return closed[around:-around, around:-around]


@dataclass(frozen=True)
class Image:
    """What a view shows at the mirror image of each cell about Y = 0, see :class:`View`."""

    filled: np.ndarray
    density: np.ndarray
    depth_mm: np.ndarray
    silhouette: np.ndarray


def mirrored(own: View, opposite: View) -> Image:
    """The mirror image of a view. ``opposite``: the view from the other side of Y = 0, which is the view itself but for
    left and right."""
    turned = (slice(None), slice(None, None, -1)) if own.grid.name == "top" else slice(None, None, -1)
    shown = (opposite.filled, opposite.density, opposite.depth_mm, opposite.silhouette)
    return Image(*(values[turned] for values in shown))
