"""Where the bare surfaces and the edges of a room lie: robust local fits beside ribs, rails and fittings."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from nightbay.clouds.posed import PosedClouds
from nightbay.core import axes, robust
from nightbay.core.axes import Axes
from nightbay.fitting import bare_face
from nightbay.fitting.bare_face import LEAST_POINTS
from nightbay.frame.result import FrameResult, Plane
from nightbay.refine.result import RefinedPose, Scale
from nightbay.uncertainty import budget as uncertainty_budget

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

    ``low_mm`` and ``high_mm`` (3,): the box, without effect along that axis. None with too few points.
    """
    found = bare_face.fit(shell.points_mm, shell.normals, plane, low_mm, high_mm, shell.scan.noise_mm)
    return None if found is None else End(found.point_mm, found.sd_mm, plane.number)


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
