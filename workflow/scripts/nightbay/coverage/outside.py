"""The outside of a vehicle as the search of places takes it, from its frame and from what cleaning left and removed."""

from collections.abc import Mapping, Sequence

import numpy as np

from nightbay.clouds.removed import removed_points
from nightbay.core import axes, rigid
from nightbay.coverage.coverage import Surface
from nightbay.frame.result import FrameResult
from nightbay.pipeline.stage import Upstream

# Of what clean removed, these lie where the scanner looked: noise, and pieces that hang on nothing, as glass gives.
LOOKED_AT = ("outlier", "cluster", "grazing")


def outside(
    points_mm: np.ndarray,
    normals: np.ndarray,
    frame: FrameResult,
    cleaned: Sequence[Upstream],
    T_control_segment: Mapping[str, np.ndarray],
) -> Surface:
    """The :class:`Surface` of points (n, 3), mm, with normals (n, 3), both in the vehicle frame.

    ``cleaned``: results of clean whose removed points show where the scanner looked, those of segments with a pose.
    """
    radii = [wheel.radius_mm for wheel in frame.wheels if wheel.radius_mm]
    return Surface(
        points_mm,
        normals,
        looked_at(frame, cleaned, T_control_segment),
        axes.axes(frame.axes),
        frame.zero_planes["y"].found,
        [axle.x_mm for axle in frame.axles],
        float(np.median(radii)) if radii else 0.0,
    )


def looked_at(
    frame: FrameResult, cleaned: Sequence[Upstream], T_control_segment: Mapping[str, np.ndarray]
) -> np.ndarray:
    """Removed points, (k, 3) mm in the vehicle frame, that show where the scanner looked."""
    removed = [
        rigid.transform(frame.T_vehicle_control @ T_control_segment[str(left.segment)], removed_points(left, LOOKED_AT))
        for left in cleaned
        if left.segment in T_control_segment
    ]
    return np.concatenate([np.zeros((0, 3)), *removed])
