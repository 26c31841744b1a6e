"""Where the bare surfaces and the edges of a room lie: robust local fits beside ribs, rails and fittings."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from nightbay.clouds.posed import PosedClouds
from nightbay.core import axes, plane_fit, robust
from nightbay.core.axes import Axes
from nightbay.frame.result import FrameResult, Plane
from nightbay.refine.result import RefinedPose, Scale
from nightbay.uncertainty import budget as uncertainty_budget

FACING = 0.9  # cosine of 26 degrees: a surface that faces along an axis
NEAR_MM = 60.0  # the bare surface lies within this of the room's plane: pressed and bowed panels
BIN_MM = 4.0  # of the histogram of positions: larger than noise, smaller than the height of a bead
OUTERMOST = 0.25  # least size of the outermost peak against the largest: bare wall between many ribs
LIMITS_MM = (12.0, 8.0, 5.0)  # of the fit about that peak; ribs stand out further
LEAST_POINTS = 40
BLOCKS = 8
EDGE_BIN_MM = 50.0  # strips across an edge; its position is taken in each
LEAST_BINS = 4


@dataclass(frozen=True)
class Shell:
    """The surface of a room in the vehicle frame: ``points_mm`` (n, 3), about ``spacing_mm`` apart, with unit
    ``normals`` (n, 3) into the room; ``frame``, ``poses``, ``scale`` and ``scan`` (settings) for the uncertainties;
    ``clouds``: the cleaned points in the same frame, None where the shell's points are those."""

    points_mm: np.ndarray
    normals: np.ndarray
    spacing_mm: float
    frame: FrameResult
    poses: Mapping[str, RefinedPose]
    scale: Scale
    scan: Any
    clouds: PosedClouds | None = None

    def points_in(self, low_mm: np.ndarray, high_mm: np.ndarray, thinned_mm: float) -> tuple[np.ndarray, np.ndarray]:
        """Cleaned points (k, 3) in a box, (3,) mm each, thinned to ``thinned_mm``, and their unit normals (k, 3)."""
        if self.clouds is not None:
            return self.clouds.box(np.eye(4), low_mm, high_mm, thinned_mm)
        inside = ((self.points_mm >= low_mm) & (self.points_mm <= high_mm)).all(axis=1)
        return self.points_mm[inside], self.normals[inside]

    @property
    def convention(self) -> Axes:
        """The axis convention of the vehicle frame."""
        return axes.axes(self.frame.axes)

    def planes(self, *kinds: str) -> list[Plane]:
        """The room's planes of some kinds, the largest first."""
        return [plane for plane in self.frame.room.planes if plane.kind in kinds] if self.frame.room else []


@dataclass(frozen=True)
class End:
    """One end of a size: ``point_mm`` (3,) on the surface; ``sd_mm`` by cause; ``plane``: number of the room's plane,
    None for an edge."""

    point_mm: np.ndarray
    sd_mm: dict[str, float]
    plane: int | None = None


def face(shell: Shell, plane: Plane, low_mm: np.ndarray, high_mm: np.ndarray) -> End | None:
    """The bare surface of a ``plane`` inside a box, at the box's middle, along the axis that the plane faces.

    ``low_mm`` and ``high_mm`` (3,): the box, without effect along that axis. It is the outermost clear peak of the
    positions near the plane. None with too few points.
    """
    axis = int(np.argmax(np.abs(plane.normal)))
    side = -float(np.sign(plane.normal[axis]))
    others = [other for other in range(3) if other != axis]
    rows = np.flatnonzero(
        ((shell.points_mm[:, others] > low_mm[others]) & (shell.points_mm[:, others] < high_mm[others])).all(axis=1)
        & (shell.normals @ plane.normal > FACING)
    )
    # outward positions against the plane: positive further out
    slopes = -side * plane.normal[others] / plane.normal[axis]
    outward = side * shell.points_mm[rows, axis]
    middle = (low_mm + high_mm)[others] / 2
    off = shell.points_mm[rows][:, others] - middle
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
    causes = {"noise": shell.scan.noise_mm / np.sqrt(used), "flatness": float(np.sqrt(step.covariance[0, 0]))}
    return End(point, causes, plane.number)


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


def edge(shell: Shell, rows: np.ndarray, axis: int, side: float, strips: int) -> End | None:
    """Where a surface ends along ``side`` times an axis: the median of its ends in strips along ``strips``.

    ``rows`` of the shell's points (k,). A surface goes on beyond its last point by the points' distance in a strip, on
    average. None with too few strips.
    """
    points = shell.points_mm[rows]
    strip = np.floor(points[:, strips] / EDGE_BIN_MM).astype(np.int64)
    ends, depths = [], []
    for number in np.unique(strip):
        mine = side * points[strip == number, axis]
        last = np.sort(mine)[::-1]
        near = last[last > last[0] - 4 * EDGE_BIN_MM]
        if len(near) < LEAST_POINTS / 4:
            continue
        depths.append(4 * EDGE_BIN_MM / len(near))  # mean distance of neighbours along the axis in this strip
        ends.append(last[0] + depths[-1])
    if len(ends) < LEAST_BINS:
        return None
    at = float(np.median(ends))
    good = np.abs(np.array(ends) - at) < EDGE_BIN_MM
    point = np.median(points, axis=0)
    point[axis] = side * at
    ragged = robust.MAD_TO_SD * float(np.median(np.abs(np.array(ends)[good] - at)))
    causes = {
        "edge": ragged / np.sqrt(good.sum()),
        "spacing": uncertainty_budget.rectangular_sd_mm(shell.spacing_mm / 2),
    }
    return End(point, causes)
