"""Whole meshes from files: vertices and triangles as they were written, or a refusal."""

import numpy as np
import pytest
import trimesh

from nightbay.core.errors import Rejected
from nightbay.readers import mesh_file


def ball():
    return trimesh.creation.icosphere(subdivisions=2, radius=10.0)


@pytest.mark.parametrize("options", [("a.ply", {}), ("a.ply", {"encoding": "ascii"}), ("a.obj", {}), ("a.stl", {})])
def test_triangles_are_those_of_the_file(tmp_path, options):
    file, more = options
    ball().export(tmp_path / file, **more)
    xyz, faces = mesh_file.read(tmp_path / file, file)
    assert xyz.dtype == np.float64
    assert xyz[faces] == pytest.approx(ball().triangles, abs=1e-5)


def test_polygons_are_divided(tmp_path):
    (tmp_path / "a.obj").write_text("v 0 0 0\nv 1 0 0\nv 1 1 0\nv 0 1 0\nf 1 2 3 4\n")
    _, faces = mesh_file.read(tmp_path / "a.obj", "a.obj")
    assert faces.tolist() == [[0, 1, 2], [0, 2, 3]]


@pytest.mark.parametrize(
    ("file", "text", "words"),
    [
        ("a.obj", "v 0 0 0\nv 1 0 0\nv 0 1 0\n", "points and no faces"),
        ("a.obj", "v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 4\n", "refers to vertex"),
        ("a.obj", "", "empty"),
        ("a.ply", "solid", "not begin with 'ply'"),
        ("a.step", "x", "'.step' is none of them"),
    ],
)
def test_what_is_no_mesh_is_refused(tmp_path, file, text, words):
    (tmp_path / file).write_text(text)
    with pytest.raises(Rejected, match=words):
        mesh_file.read(tmp_path / file, "raw/" + file)


def test_a_coordinate_that_is_no_number_is_refused(tmp_path):
    mesh = ball()
    mesh.vertices[3] = np.nan
    mesh.export(tmp_path / "a.stl")
    with pytest.raises(Rejected, match="no number"):
        mesh_file.read(tmp_path / "a.stl", "a.stl")
