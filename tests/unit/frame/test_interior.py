import json
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import trimesh
import yaml

import blockcar
from nightbay.core import rigid
from nightbay.frame import frame, interior
from nightbay.frame.ground_plane import GroundPlane
from nightbay.pipeline.settings import settings

ROOT = Path(__file__).resolve().parents[3]
SCHEMA = json.loads((ROOT / "workflow/schemas/frame.schema.json").read_text(encoding="utf-8"))
T_CONTROL_VEHICLE = rigid.pose(blockcar.rotation(np.random.default_rng(7)), [300.0, 900.0, -400.0])


def run(folder, mesh, middle, sheet=None, names=("a", "b")):
    points, normals = blockcar.scan(mesh, 60_000, 1)
    shown = np.einsum("ij,ij->i", middle - points, normals) > 0
    points, normals = points[shown], normals[shown]
    split = np.median(points[:, 0])
    parts = {names[0]: np.flatnonzero(points[:, 0] < split + 300), names[1]: np.flatnonzero(points[:, 0] > split - 300)}
    upstream = blockcar.upstream(folder, points, normals, parts, T_CONTROL_VEHICLE, part="interior", ground=False)
    options = yaml.safe_load((ROOT / "config/config.yaml").read_text(encoding="utf-8"))
    result = frame.frame(upstream, sheet or {}, settings(options), folder, 1)
    jsonschema.validate(json.loads(json.dumps({k: v for k, v in result.items() if k != "notes"})), SCHEMA)
    return result, np.array(result["T_vehicle_control"]) @ T_CONTROL_VEHICLE


def inside(mesh):
    """The mesh without the outer faces of its walls, and a point in the middle of the bay."""
    centre = mesh.triangles_center
    outer = (np.abs(centre[:, 1]) > 850.5) | (centre[:, 2] < -1) | (centre[:, 2] > 1751) | (centre[:, 0] < -1)
    mesh.update_faces(~outer)
    return mesh, np.array([1300.0, 0.0, 800.0])


def test_a_load_bay_stands_on_its_floor_in_the_middle_of_its_walls(tmp_path):
    result, left = run(tmp_path, *inside(blockcar.load_bay()), names=("front", "rear"))
    assert result["zero_planes"]["z"]["found_by"] == "floor plane"
    assert result["zero_planes"]["y"]["found_by"] == "symmetry plane of the part"
    assert result["state"] == "partial"
    assert result["heading"]["found_by"] == "names of segments"
    assert rigid.angle_deg(left) < 0.01
    assert left[1:3, 3] == pytest.approx([0.0, 0.0], abs=0.1)


def test_what_is_assumed_of_a_load_bay_is_said(tmp_path):
    result, _ = run(tmp_path, *inside(blockcar.load_bay()))
    assert result["heading"] == {"found_by": "kept", "assumed": False}
    assert any("which of the large planes is the floor is assumed" in note.lower() for note in result["notes"])
    assert any("Which end is the front is not known" in note for note in result["notes"])
    assert result["zero_planes"]["x"]["reason"] == "an interior has no axle"


def test_the_job_sheet_says_which_way_up_is(tmp_path):
    up = T_CONTROL_VEHICLE[:3, 2]
    axis = int(np.argmax(np.abs(up)))
    result, left = run(
        tmp_path, *inside(blockcar.load_bay()), {"axes": {"up": ("+" if up[axis] > 0 else "-") + "xyz"[axis]}}
    )
    assert not any("floor is assumed" in note for note in result["notes"])
    assert left[2] == pytest.approx([0.0, 0.0, 1.0, 0.0], abs=0.1)


def test_a_plain_box_has_too_many_symmetry_planes(tmp_path):
    box = trimesh.creation.box(bounds=[[0, -850, 0], [2600, 850, 1750]])
    inwards = trimesh.Trimesh(box.vertices, box.faces[:, ::-1])
    result, _ = run(tmp_path, inwards, np.array([1300.0, 0.0, 800.0]))
    assert result["state"] == "as scanned"
    assert np.array_equal(result["T_vehicle_control"], np.eye(4))
    assert "two symmetry planes are about equally good" in result["zero_planes"]["y"]["reason"]


def test_a_round_shell_has_no_walls():
    direction = np.random.default_rng(2).normal(size=(5000, 3))
    assert interior.directions(direction / np.linalg.norm(direction, axis=1, keepdims=True)) is None


def test_the_floor_is_where_the_part_is_wider_else_where_more_stands():
    plane = GroundPlane(np.array([0.0, 0.0, 1.0]), 0.0, 0.1, 1e-5, None, 0.5, np.zeros(3), [], "floor plane")
    wide, narrow = interior.Floor(plane, 0.2, 880.0, 0.01), interior.Floor(plane, 0.2, 830.0, 0.05)
    assert interior.choose([narrow, wide]) is wide
    loaded, bare = interior.Floor(plane, 0.2, 850.0, 0.05), interior.Floor(plane, 0.22, 853.0, 0.01)
    assert interior.choose([bare, loaded]) is loaded
    shelf = interior.Floor(plane, 0.06, 900.0, 0.3)
    assert interior.choose([wide, shelf]) is wide
