"""Meshes as raw exports, PLY, OBJ and STL: points with the normals of their faces, and damage in one sentence."""

import numpy as np
import pytest

from raw_exports import read, refusal, sphere


@pytest.mark.parametrize("name", ["a.obj", "a.ply", "b.ply", "a.stl", "b.stl"])
def test_meshes_give_points_with_the_normals_of_their_faces(tmp_path, name):
    text = {"b.ply": {"encoding": "ascii"}, "b.stl": {"file_type": "stl_ascii"}}.get(name, {})
    sphere().export(tmp_path / name, **text)
    xyz, normal, _, _ = read(tmp_path / name)
    assert len(xyz) == (3840 if name.endswith("stl") else 642)
    assert np.linalg.norm(xyz, axis=1) == pytest.approx(1000, abs=1e-3)
    normal = normal / np.linalg.norm(normal, axis=1, keepdims=True)
    # 1280 faces on a sphere: an edge spans at most 9.3 deg, so a face leans at most about 6 deg from a corner's radius.
    assert np.sum(normal * xyz, axis=1).min() > 1000 * np.cos(np.radians(6))


def test_obj_with_polygons_backward_numbers_textures_and_colour(tmp_path):
    (tmp_path / "a.obj").write_text(
        "# a square and a triangle\nmtllib x.mtl\nv 0 0 0 1 0 0\nv 1 0 0 0 1 0\nv 1 1 0 0 0 1\nv 0 1 0 1 1 1\n"
        "vt 0 0\nvn 0 0 1\nf 1/1/1 2/1/1 3/1/1 4/1/1\nv 0 0 1 0 0 0\nf -1//1 -5//1 -2//1\n"
    )
    xyz, normal, colour, _ = read(tmp_path / "a.obj")
    assert xyz.shape == (5, 3)
    assert normal[1:3] == pytest.approx(np.array([[0, 0, 1], [0, 0, 1]]))
    assert normal[4] == pytest.approx([1, 0, 0])
    assert colour[:2].tolist() == [[255, 0, 0], [0, 255, 0]]


def test_faces_that_name_missing_points(tmp_path):
    mesh = sphere()
    mesh.export(tmp_path / "a.ply")
    whole = bytearray((tmp_path / "a.ply").read_bytes())
    whole[-4:] = np.array([642], "<i4").tobytes()
    (tmp_path / "a.ply").write_bytes(bytes(whole))
    assert "face 1280 refers to vertex 642, but there are 642 (0 to 641)" in refusal(tmp_path / "a.ply")
    (tmp_path / "a.obj").write_text("v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 4\n")
    assert "face 1 refers to vertex 3, but there are 3 (0 to 2)" in refusal(tmp_path / "a.obj")


@pytest.mark.parametrize(
    ("name", "shares"),
    [("a.ply", (0.4, 0.9)), ("b.ply", (0.4, 0.9)), ("a.stl", (0.4, 0.9)), ("b.stl", (0.4, 0.9)), ("a.obj", (0.4,))],
)
def test_meshes_cut_short(tmp_path, name, shares):
    """OBJ names no counts: one that ends between two faces can't be told from a whole one."""
    text = {"b.ply": {"encoding": "ascii"}, "b.stl": {"file_type": "stl_ascii"}}.get(name, {})
    sphere().export(tmp_path / name, **text)
    whole = (tmp_path / name).read_bytes()
    for share in shares:
        (tmp_path / name).write_bytes(whole[: int(len(whole) * share)])
        assert "cut short" in refusal(tmp_path / name)


def test_an_obj_that_ends_in_a_face(tmp_path):
    (tmp_path / "a.obj").write_text("v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2")
    assert "holds a face with 2 corners; 3 to 10000 are allowed: it was cut short" in refusal(tmp_path / "a.obj")
