"""Places of a finished exterior that were never scanned: on the page, and as a warning."""

from dataclasses import replace

import numpy as np
import pytest
import trimesh

from nightbay.coverage import outside
from nightbay.frame.result import ZeroPlane
from nightbay.fuse.result import FuseResult
from nightbay.meshes import surface
from nightbay.pipeline import typed
from nightbay.refine.result import RefinedPose
from nightbay.report import unseen_places
from nightbay.report.part import parts_of
from report_pages import changed, check, page, upstream
from typed_results import made

LOW, HIGH = np.array([-800.0, -800.0, 250.0]), np.array([3200.0, 800.0, 1450.0])


def body(hole):
    """A box without its underside as a surface of fine triangles; ``hole``: left side, mm, X and Z from and to."""
    mesh = trimesh.creation.box(bounds=[LOW, HIGH])
    mesh = mesh.subdivide_to_size(30.0)
    at = mesh.triangles_center
    gone = mesh.face_normals[:, 2] < -0.5
    if hole:
        (x0, x1), (z0, z1) = hole
        gone |= (at[:, 1] < LOW[1] + 1) & (at[:, 0] > x0) & (at[:, 0] < x1) & (at[:, 2] > z0) & (at[:, 2] < z1)
    return surface.Surface(mesh.vertices.astype(np.float32), mesh.faces[~gone].astype(np.int32))


@pytest.fixture
def fused(whole, tmp_path, monkeypatch):
    """A function that gives the fixture's job a fused surface in a known vehicle frame."""
    monkeypatch.setattr(outside, "removed_points", lambda segment, reasons: np.zeros((0, 3)))

    def make(hole=None):
        (tmp_path / "fuse").mkdir()
        surface.write_ply(tmp_path / "fuse" / "surface.ply", body(hole))
        whole["fuse"] = [upstream("fuse", typed.write(made(FuseResult)), tmp_path)]
        plane = made(ZeroPlane, found_by="ground plane")
        changed(whole, "frame", zero_planes=dict.fromkeys("xyz", plane), T_vehicle_control=np.eye(4))
        pose = made(RefinedPose, T_control_segment=np.eye(4))
        changed(whole, "refine", poses={"left": pose})
        return whole

    return make


def test_a_hole_that_the_other_side_lacks_is_named_and_warned_of(fused, tmp_path):
    result, html = page(fused(hole=((900, 1300), (500, 900))), tmp_path / "page")
    check(html)
    (warning,) = [text for text in result["warnings"] if "never seen" in text]
    assert warning.startswith("Exterior, place 1: left side") and warning.endswith("Scan it again.")
    assert "What to scan again" in html and "left side" in html
    assert any(step.startswith("Scan again: left side") for step in result["next_steps"])


def test_a_whole_body_says_that_nothing_is_known_to_be_missing(fused, tmp_path):
    result, html = page(fused(), tmp_path / "page")
    assert not any("never seen" in text for text in result["warnings"])
    assert "is known to be missing, seen from the sides, the ends and above" in html


def test_other_parts_and_parts_without_a_frame_have_no_coverage(fused):
    part = parts_of(fused())[0]
    assert unseen_places.coverage_of(part) is not None
    assert unseen_places.coverage_of(replace(part, name="interior")) is None
    assert unseen_places.coverage_of(replace(part, frame=replace(part.frame, zero_planes={}))) is None
    assert unseen_places.coverage_of(replace(part, fuse=None)) is None
