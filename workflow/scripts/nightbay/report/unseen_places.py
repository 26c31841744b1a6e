"""Places of a finished part that were never scanned, told from openings as the release check tells them."""

import numpy as np

from nightbay.coverage import coverage, inside, outside, room
from nightbay.coverage.result import Coverage
from nightbay.meshes import surface, vertices
from nightbay.meshes.surface import Surface
from nightbay.report.part import Part

MOST_VERTICES = 1_000_000  # of the fused surface: some 7 mm apart on a coach, finer than the cells that are looked at


def coverage_of(part: Part) -> Coverage | None:
    """The coverage of a part in its vehicle frame; None without one, and of an interior without floor and walls."""
    frame, refine = part.frame, part.refine
    if part.reasons or not part.fuse or not refine or not frame:
        return None
    if part.name == "interior" and frame.room is None:
        return None
    if not frame.zero_planes or not frame.zero_planes["z"].found:
        return None
    stored = surface.open_ply(part.folder("fuse") / "surface.ply")
    mesh = Surface(stored.vertices_mm[:], stored.faces)
    used = np.flatnonzero(vertices.used(mesh))
    used = used[:: -(-len(used) // MOST_VERTICES)]
    points, directions = mesh.vertices_mm[used].astype(np.float64), vertices.normals(mesh, used).astype(np.float64)
    cleaned = [left for left in part.upstream if left.stage == "clean" and left.status == "ok"]
    poses = {name: pose.T_control_segment for name, pose in refine.poses.items()}
    if frame.room is not None:
        seen = inside.inside(points, directions, frame, cleaned, poses)
        return room.find(seen) if room.enclosed(seen) else None
    return coverage.find(outside.outside(points, directions, frame, cleaned, poses))
