"""The coverage of a part whose stages ran on a sample."""

import numpy as np

from nightbay.clouds.posed import PosedClouds
from nightbay.core import axes, ply_header, rigid
from nightbay.coverage import coverage
from nightbay.coverage.result import Coverage
from nightbay.frame.result import FrameResult
from nightbay.orientation import normal_orientation
from nightbay.pipeline import typed
from nightbay.pipeline.stage import Upstream
from nightbay.release.chain import Checked

THINNED_MM = 3.0  # points closer than that say nothing more of where surface is
# Of what clean removed, these lie where the scanner looked: noise, and pieces that hang on nothing, as glass gives.
LOOKED_AT = ("outlier", "cluster", "grazing")


def of_part(checked: Checked) -> Coverage:
    """The coverage of an exterior; every stage up to frame has its result."""
    assert checked.refine is not None and checked.frame is not None
    framed = typed.read(FrameResult, checked.frame.result)
    least = coverage.LEAST_MM2
    if framed.state == "as scanned" or not framed.zero_planes["z"].found:
        return Coverage([], 0.0, least, framed.zero_planes["z"].reason or "the vehicle frame is not known")
    placed = normal_orientation.placed(list(checked.clean.values()), checked.refine)
    clouds = PosedClouds(normal_orientation.open_posed(segment, checked.refine) for segment in placed)
    points, normals, _ = clouds.thinned(THINNED_MM)
    T = framed.T_vehicle_control
    removed = [_removed(segment, T @ _pose(checked.refine, segment)) for segment in placed]
    radii = [wheel.radius_mm for wheel in framed.wheels if wheel.radius_mm]
    return coverage.find(
        coverage.Surface(
            rigid.transform(T, points),
            rigid.rotate(T, normals),
            np.concatenate(removed),
            axes.axes(framed.axes),
            framed.zero_planes["y"].found,
            [axle.x_mm for axle in framed.axles],
            float(np.median(radii)) if radii else 0.0,
        )
    )


def _pose(refined: Upstream, segment: Upstream) -> np.ndarray:
    return np.array(refined.result["poses"][segment.segment]["T_control_segment"])


def _removed(segment: Upstream, T_vehicle_segment: np.ndarray) -> np.ndarray:
    """Points (k, 3) that clean removed where the scanner looked, in the vehicle frame."""
    path = segment.folder / "removed.ply"
    with open(path, "rb") as file:
        header = ply_header.read(file)
    vertex = header.elements[0]
    rows = np.fromfile(path, vertex.dtype(header.order), vertex.count, offset=header.offset)
    codes = [int(code) for code, reason in segment.result["reasons"].items() if reason in LOOKED_AT]
    rows = rows[np.isin(rows["reason"], codes)]
    info = {words[0]: words[1:] for words in header.obj_info}
    origin = np.array(info.get("origin_mm", ["0", "0", "0"]), float)
    return rigid.transform(T_vehicle_segment, np.column_stack([rows[axis] for axis in "xyz"]) + origin)
