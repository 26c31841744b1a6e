"""A mirrored side: what is missing of the other is added, marked, and nothing of what was measured is covered."""

from types import SimpleNamespace

import numpy as np
import pytest
import trimesh

import part_results
from nightbay.fill import fill, mirrored_side
from nightbay.meshes import surface
from nightbay.pipeline import typed


def half(scanned=lambda middle: middle[:, 1] < 60.0):
    """A ball of 500 mm, of which a scan shows the left side, Y < 0, and a strip beyond the middle."""
    ball = trimesh.creation.icosphere(subdivisions=5, radius=500.0)
    faces = ball.faces[scanned(ball.triangles_center)]
    used = np.unique(faces)
    values = {name: np.full(len(used), 5.0, np.float32) for name in ("count", "spread_mm", "confidence")}
    shape = surface.Surface(
        ball.vertices[used].astype(np.float32), np.searchsorted(used, faces).astype(np.int32), values
    )
    return shape


def test_the_image_stands_where_nothing_was_measured():
    shape = half()
    image = mirrored_side.image(shape, -1.0)
    assert image.vertices_mm[:, 1].min() > 60.0
    assert np.linalg.norm(image.vertices_mm, axis=1) == pytest.approx(np.full(len(image.vertices_mm), 500.0), abs=1.0)
    # what is missing of the ball, less a strip of 20 to 35 mm along its edge
    missing = 2 * np.pi * 500 * (500 - 60)
    assert missing - 2 * np.pi * 500 * 45 < surface.area_mm2(image) < missing - 2 * np.pi * 500 * 15
    outwards = np.einsum("ij,ij->i", surface.face_normals(image), image.vertices_mm[image.faces].mean(axis=1))
    assert np.all(outwards > 0.0)


def test_the_image_says_that_it_was_made_up():
    image = mirrored_side.image(half(), -1.0)
    assert np.all(image.face["filled"] == 1)
    assert not image.vertex["count"].any() and not image.vertex["confidence"].any()
    assert np.isnan(image.vertex["spread_mm"]).all()


def test_nothing_is_added_where_both_sides_were_measured():
    assert len(mirrored_side.image(half(lambda middle: middle[:, 0] < 1e9), -1.0).faces) == 0
    assert len(mirrored_side.image(half(), 1.0).faces) == 0  # of the strip beyond the middle, the left is measured


def run(tmp_path, sheet, found_by="symmetry plane of the part"):
    shape = half()
    (tmp_path / "fuse").mkdir()
    (tmp_path / "fill").mkdir()
    surface.write_ply(tmp_path / "fuse" / "surface.ply", shape)
    fused = {
        "resolution_mm": 20.0, "points": 1, "segments": 1, "spacing_mm": 20.0, "reach_mm": 40.0, "tiles": 1,
        "vertices": len(shape.vertices_mm), "faces": len(shape.faces), "area_mm2": surface.area_mm2(shape),
        "trimmed_area_mm2": 0.0, "specks": 0, "specks_area_mm2": 0.0, "count_median": 5.0, "spread_median_mm": 0.1,
        "noise_median_mm": 0.1, "confidence_median": 1.0, "coloured": None, "colour": None,
    }  # fmt: skip
    frame = typed.write(part_results.frame([0, 0, 0], [1, 1, 1], found_by=("kept", found_by, "kept")))
    upstream = {
        "fuse": SimpleNamespace(result=fused, folder=tmp_path / "fuse"),
        "frame": SimpleNamespace(result=frame),
    }
    own = SimpleNamespace(fill=SimpleNamespace(largest_gap_mm=10.0, largest_tilt_deg=60.0))
    return fill.fill(upstream, sheet, own, tmp_path / "fill", 1), surface.read_ply(tmp_path / "fill" / "surface.ply")


def test_a_side_is_mirrored_where_the_job_sheet_orders_it(tmp_path):
    numbers, made = run(tmp_path, {"mirror": "left"})
    filled = made.face["filled"] == 1
    assert numbers["mirrored"] == "left"
    assert surface.face_areas(made)[filled].sum() == pytest.approx(numbers["mirrored_area_mm2"], rel=1e-4)
    assert made.vertices_mm[made.faces[filled]][:, :, 1].min() > 60.0
    assert numbers["filled_area_mm2"] == 0.0


def test_without_an_order_nothing_is_mirrored(tmp_path):
    numbers, made = run(tmp_path, {})
    assert (numbers["mirrored"], numbers["mirrored_area_mm2"]) == (None, 0.0)
    assert not made.face["filled"].any()


def test_without_a_symmetry_plane_the_order_is_refused_in_words(tmp_path):
    numbers, made = run(tmp_path, {"mirror": "left"}, "kept")
    assert numbers["mirrored"] is None
    assert numbers["notes"] == [numbers["mirrored_refused"]]
    assert "no symmetry plane" in numbers["mirrored_refused"]
    assert not made.face["filled"].any()
