"""Places of a finished exterior that were never scanned, told from openings as the release check tells them."""

import numpy as np

from nightbay.clouds.removed import removed_points
from nightbay.core import axes, rigid
from nightbay.coverage import coverage
from nightbay.coverage.result import Coverage
from nightbay.meshes import surface, vertices
from nightbay.report.part import Part

MOST_VERTICES = 1_000_000  # of the fused surface: some 7 mm apart on a coach, finer than the cells that are looked at
# Of what clean removed, these lie where the scanner looked: noise, and pieces that hang on nothing, as glass gives.
LOOKED_AT = ("outlier", "cluster", "grazing")


def coverage_of(part: Part) -> Coverage | None:
    """The coverage of an exterior in its vehicle frame; None for other parts."""
    frame, refine = part.frame, part.refine
    if part.name != "exterior" or part.reasons or not part.fuse or not refine or not frame:
        return None
    if not frame.zero_planes or not frame.zero_planes["z"].found:
        return None
    mesh = surface.read_ply(part.folder("fuse") / "surface.ply")
    normals = vertices.normals_of_all(mesh.vertices_mm, mesh.faces)
    used = np.unique(mesh.faces)
    used = used[:: -(-len(used) // MOST_VERTICES)]
    looked_at = [
        rigid.transform(
            frame.T_vehicle_control @ refine.poses[str(left.segment)].T_control_segment, removed_points(left, LOOKED_AT)
        )
        for left in part.upstream
        if left.stage == "clean" and left.status == "ok" and left.segment in refine.poses
    ]
    radii = [wheel.radius_mm for wheel in frame.wheels if wheel.radius_mm]
    return coverage.find(
        coverage.Surface(
            mesh.vertices_mm[used].astype(np.float64),
            normals[used].astype(np.float64),
            np.concatenate([np.zeros((0, 3)), *looked_at]),
            axes.axes(frame.axes),
            frame.zero_planes["y"].found,
            [axle.x_mm for axle in frame.axles],
            float(np.median(radii)) if radii else 0.0,
        )
    )
