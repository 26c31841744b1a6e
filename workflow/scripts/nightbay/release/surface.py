"""The outside of a vehicle as a sample shows it, for the search of places that were never seen."""

import numpy as np

from nightbay.clouds.posed import PosedClouds
from nightbay.clouds.removed import removed_points
from nightbay.core import axes, rigid
from nightbay.coverage.coverage import Surface
from nightbay.frame.result import FrameResult
from nightbay.orientation import normal_orientation
from nightbay.pipeline import typed
from nightbay.pipeline.stage import Upstream
from nightbay.release.chain import Checked

THINNED_MM = 3.0  # points closer than that say nothing more of where surface is
# Of what clean removed, these lie where the scanner looked: noise, and pieces that hang on nothing, as glass gives.
LOOKED_AT = ("outlier", "cluster", "grazing")


def of_part(checked: Checked) -> Surface | str:
    """The outside of an exterior, of which every stage up to frame has its result; or why it is not known, as a
    clause."""
    assert checked.refine is not None and checked.frame is not None
    framed = typed.read(FrameResult, checked.frame.result)
    if not framed.zero_planes["z"].found:
        return f"the vehicle frame is not known, because {framed.zero_planes['z'].reason}"
    placed = normal_orientation.placed(list(checked.clean.values()), checked.refine)
    clouds = PosedClouds(normal_orientation.open_posed(segment, checked.refine) for segment in placed)
    points, normals, _ = clouds.thinned(THINNED_MM)
    T = framed.T_vehicle_control
    removed = [
        rigid.transform(T @ _pose(checked.refine, segment), removed_points(segment, LOOKED_AT)) for segment in placed
    ]
    radii = [wheel.radius_mm for wheel in framed.wheels if wheel.radius_mm]
    return Surface(
        rigid.transform(T, points),
        rigid.rotate(T, normals),
        np.concatenate(removed),
        axes.axes(framed.axes),
        framed.zero_planes["y"].found,
        [axle.x_mm for axle in framed.axles],
        float(np.median(radii)) if radii else 0.0,
    )


def _pose(refined: Upstream, segment: Upstream) -> np.ndarray:
    return np.array(refined.result["poses"][segment.segment]["T_control_segment"])
