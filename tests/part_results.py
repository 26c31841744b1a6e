"""Results of frame and refine for tests of the stages after them: everything that a test does not say is nothing."""

import numpy as np

import networks
from nightbay.clean.result import CleanResult, Reason
from nightbay.frame.result import AxleResult, Bounds, FrameResult, Heading, Sides, WheelResult, ZeroPlane
from nightbay.pipeline import typed
from nightbay.refine.result import Contradictions, RefinedPose, RefineResult, Scale


def zero_plane(found_by, sd_mm=0.1):
    return ZeroPlane(found_by, None, None, None, sd_mm)


def wheel(side, centre_mm, sidewalls_y_mm):
    unknown = Sides(None, None)
    return WheelResult(side, centre_mm, [0.1, None, 0.1], None, sidewalls_y_mm, unknown, None, 0.0, 0.0, 0.01, 0.9)


def axle(x_mm, over_tyres_mm, reason):
    return AxleResult(x_mm, 0.07, 2, None, None, None, over_tyres_mm, 0.14, None, None, reason)


def frame(low_mm, high_mm, *, segment="all", axes="design_grid", found_by=("kept",) * 3, turn=0.0, wheels=(), axles=()):
    """Result of frame with one segment, whose bounds are given; ``turn``: standard uncertainty of the rotation, deg."""
    return FrameResult(
        T_vehicle_control=np.eye(4),
        axes=axes,
        state="vehicle",
        zero_planes={name: zero_plane(found) for name, found in zip("xyz", found_by, strict=True)},
        rotation_sd_deg=dict.fromkeys("xyz", turn),
        heading=Heading("names of segments", False),
        symmetry=None,
        wheels=list(wheels),
        axles=list(axles),
        segments={segment: Bounds(np.asarray(low_mm, float), np.asarray(high_mm, float))},
    )


def pose(T_control_segment=None, covariance=None):
    T = np.eye(4) if T_control_segment is None else np.asarray(T_control_segment)
    covariance = np.zeros((6, 6)) if covariance is None else np.asarray(covariance)
    return RefinedPose(T, covariance, "targets", "nothing to refine", 0.0, 0.0, None, None, None, [])


def clean(ground=None):
    """The result of clean for a segment with this ground, of which nothing was removed."""
    return CleanResult(9, {}, {str(int(Reason.GROUND)): Reason.GROUND.word}, 0, [], 1.0, None, ground)


def refine(poses):
    """Result of refine with the given poses."""
    return RefineResult(
        frame_of="control survey",
        disc_radius_mm=10.0,
        search_distance_mm=10.0,
        variance_factor=None,
        overlap_weight=None,
        coarse_registration=[],
        scale=typed.read(Scale, networks.UNSCALED),
        contradiction=Contradictions(10.0, [], [], []),
        normal_orientation={},
        poses=poses,
        discrepancies=[],
        unplaced=[],
        loose=[],
        by_surfaces=[],
    )


def write_removed(folder, points_mm, origin_mm):
    """The points (n, 3) that clean removed as ground, about ``origin_mm``, as ``removed.ply``."""
    rows = np.zeros(len(points_mm), [("x", "<f4"), ("y", "<f4"), ("z", "<f4"), ("reason", "u1")])
    for axis, name in enumerate("xyz"):
        rows[name] = points_mm[:, axis]
    rows["reason"] = int(Reason.GROUND)
    place = " ".join(repr(float(value)) for value in origin_mm)
    lines = ["ply", "format binary_little_endian 1.0", f"obj_info origin_mm {place}", f"element vertex {len(rows)}"]
    lines += [*(f"property float {axis}" for axis in "xyz"), "property uchar reason", "end_header"]
    (folder / "removed.ply").write_bytes(("\n".join(lines) + "\n").encode() + rows.tobytes())
