"""The bare surface of a plane of a room within a box: a robust local fit beside ribs, rails and fittings."""

from dataclasses import dataclass

import numpy as np

from nightbay.core import plane_fit, robust
from nightbay.frame.result import Plane

FACING = 0.9  # cosine of 26 degrees: a surface that faces along an axis
NEAR_MM = 60.0  # the bare surface lies within this of the room's plane: pressed and bowed panels
BIN_MM = 4.0  # of the histogram of positions: larger than noise, smaller than the height of a bead
OUTERMOST = 0.25  # least size of the outermost peak against the largest: bare wall between many ribs
LIMITS_MM = (12.0, 8.0, 5.0)  # of the fit about that peak; ribs stand out further
LEAST_POINTS = 40
BLOCKS = 8


@dataclass(frozen=True)
class BareFace:
    """``point_mm`` (3,) on the surface in the middle of the box; ``sd_mm``: standard uncertainty of its position along
    the axis that the plane faces, by cause."""

    point_mm: np.ndarray
    sd_mm: dict[str, float]


def fit(
    points_mm: np.ndarray,
    normals: np.ndarray,
    plane: Plane,
    low_mm: np.ndarray,
    high_mm: np.ndarray,
    noise_mm: float,
) -> BareFace | None:
    """The bare surface of a ``plane`` among points (n, 3) with unit normals (n, 3), along the axis that it faces.

    ``low_mm`` and ``high_mm`` (3,): the box, without effect along that axis; ``noise_mm`` of a point. The surface is
    the outermost clear peak of the positions near the plane. None with too few points.
    """
    axis = int(np.argmax(np.abs(plane.normal)))
    side = -float(np.sign(plane.normal[axis]))
    others = [other for other in range(3) if other != axis]
    rows = np.flatnonzero(
        ((points_mm[:, others] > low_mm[others]) & (points_mm[:, others] < high_mm[others])).all(axis=1)
        & (normals @ plane.normal > FACING)
    )
    # outward positions against the plane: positive further out
    slopes = -side * plane.normal[others] / plane.normal[axis]
    outward = side * points_mm[rows, axis]
    middle = (low_mm + high_mm)[others] / 2
    off = points_mm[rows][:, others] - middle
    base = side * (plane.offset_mm - plane.normal[others] @ middle) / plane.normal[axis]
    beyond = outward - base - off @ slopes
    near = np.abs(beyond) < NEAR_MM
    if near.sum() < LEAST_POINTS:
        return None
    start = np.array([base + outermost_peak(beyond[near]), *slopes])
    design = np.column_stack([np.ones(near.sum()), off[near]])
    longer = off[near][:, int(np.argmax(np.ptp(off[near], axis=0)))]
    solution, step = plane_fit.solve(design, outward[near], start, robust.blocks_along(longer, BLOCKS), LIMITS_MM)
    used = int(np.count_nonzero(step.weights))
    if used < LEAST_POINTS or not np.isfinite(step.covariance).all():
        return None
    point = np.empty(3)
    point[others], point[axis] = middle, side * solution[0]
    return BareFace(point, {"noise": noise_mm / np.sqrt(used), "flatness": float(np.sqrt(step.covariance[0, 0]))})


def outermost_peak(beyond_mm: np.ndarray) -> float:
    """Position of the outermost clear peak among outward positions, (n,) mm."""
    low = float(beyond_mm.min())
    bins = np.bincount(((beyond_mm - low) / BIN_MM).astype(np.int64))
    pairs = bins + np.append(bins[1:], 0)
    clear = np.flatnonzero(pairs > OUTERMOST * pairs.max())
    last = int(clear[-1])
    if last and pairs[last - 1] > pairs[last]:  # the peak's outer flank
        last -= 1
    return low + (last + 1) * BIN_MM
