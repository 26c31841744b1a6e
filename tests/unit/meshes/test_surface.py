import numpy as np
import plyfile
import pytest
import trimesh

import partial_surfaces
from nightbay.meshes import surface


@pytest.fixture
def ball():
    mesh = trimesh.creation.icosphere(subdivisions=3, radius=100.0)
    n, m = len(mesh.vertices), len(mesh.faces)
    return surface.Surface(
        mesh.vertices.astype(np.float32),
        mesh.faces.astype(np.int32),
        {"count": np.arange(n, dtype=np.float32), "red": np.arange(n).astype(np.uint8)},
        {"filled": (np.arange(m) % 2).astype(np.uint8)},
    )


def test_file_brings_everything_back(ball, tmp_path):
    surface.write_ply(tmp_path / "ball.ply", ball, ["units mm", "frame vehicle"])
    back = surface.read_ply(tmp_path / "ball.ply")
    assert np.array_equal(back.vertices_mm, ball.vertices_mm)
    assert np.array_equal(back.faces, ball.faces)
    assert set(back.vertex) == {"count", "red"}
    assert np.array_equal(back.vertex["count"], ball.vertex["count"])
    assert np.array_equal(back.face["filled"], ball.face["filled"])
    assert "frame vehicle" in plyfile.PlyData.read(str(tmp_path / "ball.ply")).comments


def test_columns_read_what_is_asked_for(ball, tmp_path, monkeypatch):
    monkeypatch.setattr(surface, "ROWS", 100)
    surface.write_ply(tmp_path / "ball.ply", ball)
    lazy = surface.open_ply(tmp_path / "ball.ply")
    assert len(lazy.faces) == len(ball.faces) and len(lazy.vertices_mm) == len(ball.vertices_mm)
    assert np.array_equal(lazy.faces[250:555], ball.faces[250:555])
    rows = np.random.default_rng(3).integers(0, len(ball.vertices_mm), 500)
    assert np.array_equal(lazy.vertices_mm[rows], ball.vertices_mm[rows])
    assert np.array_equal(lazy.vertex["red"][rows], ball.vertex["red"][rows])
    assert np.array_equal(lazy.face["filled"][:], ball.face["filled"])
    assert lazy.faces[rows[:0]].shape == (0, 3)
    surface.write_ply(tmp_path / "again.ply", lazy)
    assert (tmp_path / "again.ply").read_bytes() == (tmp_path / "ball.ply").read_bytes()


def test_files_cut_short_and_rows_missing_are_noticed(ball, tmp_path):
    surface.write_ply(tmp_path / "ball.ply", ball)
    (tmp_path / "cut.ply").write_bytes((tmp_path / "ball.ply").read_bytes()[:-1])
    with pytest.raises(ValueError, match=r"cut\.ply has \d+ bytes, its header requires \d+"):
        surface.open_ply(tmp_path / "cut.ply")
    few = surface.Rows(("xyz",), 4, [{"xyz": np.zeros((3, 3))}])
    none = surface.Rows(("vertex_indices",), 0, [])
    with pytest.raises(ValueError, match="the header states 4 rows, but 3 were written"):
        surface.stream_ply(tmp_path / "few.ply", few, none)


def test_other_readers_agree_on_area(ball, tmp_path):
    surface.write_ply(tmp_path / "ball.ply", ball)
    assert surface.area_mm2(ball) == pytest.approx(trimesh.load(tmp_path / "ball.ply", process=False).area, rel=1e-6)


def test_normals_point_outward(ball):
    centres = ball.vertices_mm[ball.faces].mean(axis=1)
    assert np.all((surface.face_normals(ball) * centres).sum(axis=1) > 0)


def test_keep_faces_drops_vertices_that_nothing_uses(ball):
    keep = ball.vertices_mm[ball.faces].mean(axis=1)[:, 2] > 0
    half = partial_surfaces.keep_faces(ball, keep)
    assert len(half.faces) == np.count_nonzero(keep)
    assert np.array_equal(np.unique(half.faces), np.arange(len(half.vertices_mm)))
    assert surface.area_mm2(half) == pytest.approx(np.linalg.norm(surface.face_normals(ball)[keep], axis=1).sum() / 2)
    assert len(half.vertex["count"]) == len(half.vertices_mm)
