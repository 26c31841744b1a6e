import json
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import trimesh
import yaml

import blockcar
from nightbay.core import rigid
from nightbay.core.errors import NotFound
from nightbay.frame import frame, room_evidence, room_hints, room_planes
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


def squared(left):
    """Largest angle, degrees, between an axis of the frame and the nearest axis of the vehicle."""
    return float(np.degrees(np.arccos(np.clip(np.abs(left[:3, :3]).max(axis=1), 0, 1)).max()))


def plane_towards(result, axis, sign):
    """Number of the largest plane whose normal points along a signed axis of the frame."""
    return next(plane["number"] for plane in result["room"]["planes"] if plane["normal"][axis] * sign > 0.99)


def test_a_load_bay_stands_on_its_floor_in_the_middle_of_its_walls(tmp_path):
    result, left = run(tmp_path, *inside(blockcar.load_bay()), names=("front", "rear"))
    # boxes at both sides of the floor alone may be lockers under the roof: the floor is right, and called assumed
    assert result["zero_planes"]["z"]["found_by"] == "plane that is assumed to be the floor"
    assert result["zero_planes"]["y"]["found_by"] == "middle between two walls that are assumed to be the sides"
    assert "only this speaks for it: boxes at both sides on the floor" in result["room"]["up"]["reason"]
    assert result["state"] == "partial"
    assert result["heading"]["found_by"] == "names of segments"
    assert not result["room"]["up"]["decided"] and result["room"]["along"]["decided"]
    assert rigid.angle_deg(left) < 0.01
    assert left[1:3, 3] == pytest.approx([0.0, 0.0], abs=0.1)


def test_what_is_assumed_of_a_load_bay_is_said(tmp_path):
    result, _ = run(tmp_path, *inside(blockcar.load_bay()))
    assert result["heading"] == {"found_by": "open end", "assumed": True}
    assert any("The open end is assumed to be the rear" in note for note in result["notes"])
    assert result["zero_planes"]["x"]["reason"] == "an interior has no axle"


def test_the_planes_of_a_load_bay_are_listed_with_what_they_are(tmp_path):
    result, _ = run(tmp_path, *inside(blockcar.load_bay()), names=("front", "rear"))
    planes = result["room"]["planes"]
    assert [plane["number"] for plane in planes] == list(range(1, len(planes) + 1))
    floor = next(plane for plane in planes if plane["kind"] == "floor")
    roof = next(plane for plane in planes if plane["kind"] == "roof")
    assert floor["angle_to_floor_deg"] == pytest.approx(0.0, abs=0.01)
    assert roof["angle_to_floor_deg"] == pytest.approx(180.0, abs=0.02)
    # noise of 0.1 mm: 95 % of it span 3.9 standard deviations
    assert floor["flatness_rms_mm"] == pytest.approx(0.1, abs=0.02)
    assert floor["flatness_range_mm"] == pytest.approx(0.39, abs=0.05)
    assert roof["offset_mm"] == pytest.approx(-1750.0, abs=0.1)
    # the roof is 2600 by 1580 mm; cells of 40 mm at its edge count whole
    assert roof["area_mm2"] == pytest.approx(2600 * 1580, rel=0.06)
    assert {"left wall", "right wall", "front wall"} <= {plane["kind"] for plane in planes}


@pytest.mark.parametrize("axis", ["+x", "-x", "+y", "-y", "+z", "-z"])
def test_a_raw_axis_of_the_job_sheet_gives_the_right_frame_or_is_refused(tmp_path, axis):
    """Any raw axis as ``up``: it chooses the plane within 35 degrees of it, or it is not used; never a tipped room."""
    result, left = run(tmp_path, *inside(blockcar.load_bay()), {"axes": {"up": axis}}, names=("front", "rear"))
    wanted = T_CONTROL_VEHICLE[:3, :3].T @ room_hints.DIRECTIONS[axis]
    nearest = np.degrees(np.arccos(np.abs(wanted).max()))
    assert squared(left) < 0.05
    refused = [note for note in result["notes"] if note.startswith("axes.up in the job sheet lies")]
    assert np.isfinite(left).all()
    if nearest <= room_hints.MOST_DEG and np.abs(wanted).argmax() == 0:
        # along the bay, which the names of the segments contradict
        assert any("points from end to end of the room" in note for note in result["notes"])
    elif nearest > room_hints.MOST_DEG:
        assert len(refused) == 1 and f"lies {nearest:.0f} degrees from plane" in refused[0]
        assert "name the plane by its number" in refused[0]
        assert rigid.angle_deg(left) < 0.05  # the shape decides
    else:
        assert not refused
        assert left[2, :3] @ np.sign(wanted * (np.abs(wanted) > 0.8)) == pytest.approx(1.0, abs=1e-4)


def test_a_plane_a_point_or_three_points_name_the_floor_and_the_front_wall(tmp_path):
    mesh, middle = inside(blockcar.load_bay())
    plain, left = run(tmp_path / "plain", mesh, middle)
    T_raw_vehicle = np.linalg.inv(np.array(plain["T_vehicle_control"])) @ left  # control from vehicle
    raw_of_a = np.linalg.inv(pose_of_segment("a")) @ T_raw_vehicle
    floor, front = ([[1000, 200, 0], [600, -400, 0], [900, 600, 0]], [[0, 300, 1200], [0, -300, 1000], [0, 0, 1500]])
    raw = [rigid.transform(raw_of_a, np.array(points, float)).tolist() for points in (floor, front)]
    forms = [
        {"up": {"plane": plane_towards(plain, 2, 1)}, "forward": {"plane": plane_towards(plain, 0, 1)}},
        {"up": {"near_mm": raw[0][0], "segment": "a"}, "forward": {"near_mm": raw[1][0], "segment": "a"}},
        {"up": {"points_mm": raw[0], "segment": "a"}, "forward": {"points_mm": raw[1], "segment": "a"}},
    ]
    for number, axes in enumerate(forms):
        result, left = run(tmp_path / str(number), mesh, middle, {"axes": axes})
        assert result["room"]["up"]["found_by"] == "job sheet"
        assert result["heading"] == {"found_by": "job sheet", "assumed": False}
        assert rigid.angle_deg(left) < 0.01


def pose_of_segment(name):
    """The pose that :func:`blockcar.upstream` gives a segment."""
    rng = np.random.default_rng(5)
    return {segment: rigid.pose(blockcar.rotation(rng), rng.uniform(-2000, 2000, 3)) for segment in ("a", "b")}[name]


@pytest.mark.parametrize(
    ("axes", "sentence"),
    [
        ({"plane": 99}, "names plane 99, and 14 planes were found"),
        ({"near_mm": [0, 0, 9000], "segment": "a"}, "at most 60 mm are allowed"),
        ({"near_mm": [0, 0, 0]}, "a point needs the segment whose coordinates it has (a, b)"),
        ({"near_mm": [0, 0, 0], "segment": "c"}, "there is no segment 'c'; the part has a, b"),
        ({"points_mm": [[0, 0, 0], [1, 1, 1], [2, 2, 2.001]], "segment": "a"}, "the three points lie on a line"),
    ],
)
def test_a_hint_that_names_no_plane_is_refused_in_a_sentence(tmp_path, axes, sentence):
    result, left = run(tmp_path, *inside(blockcar.load_bay()), {"axes": {"up": axes}}, names=("a", "b"))
    assert any(sentence in note for note in result["notes"])
    assert squared(left) < 0.01


def test_a_hint_against_the_shape_is_followed_and_said(tmp_path):
    plain, _ = run(tmp_path / "plain", *inside(blockcar.load_bay()))
    roof = plane_towards(plain, 2, -1)
    hint = {"axes": {"up": {"plane": roof}}}
    result, left = run(tmp_path / "hinted", *inside(blockcar.load_bay()), hint, names=("front", "rear"))
    assert left[2, 2] == pytest.approx(-1.0, abs=1e-5)
    assert any("contradicts the shape" in note for note in result["notes"])


def test_a_plain_box_is_squared_and_its_floor_is_not_decided(tmp_path):
    box = trimesh.creation.box(bounds=[[0, -850, 0], [2600, 850, 1750]])
    inwards = trimesh.Trimesh(box.vertices, box.faces[:, ::-1])
    result, left = run(tmp_path, inwards, np.array([1300.0, 0.0, 800.0]))
    assert squared(left) < 0.01
    assert not result["room"]["up"]["decided"]
    assert result["zero_planes"]["z"]["found_by"] == "plane that is assumed to be the floor"
    assert any("Which of the room's planes is the floor is not decided" in note for note in result["notes"])


def test_a_round_shell_has_no_planes_and_stays_as_scanned(tmp_path):
    ball = trimesh.creation.icosphere(subdivisions=5, radius=900.0)
    ball.invert()
    result, left = run(tmp_path, ball, np.zeros(3))
    assert result["state"] == "as scanned"
    assert not result["room"]["up"]["decided"]
    assert np.array_equal(result["T_vehicle_control"], np.eye(4))


def test_planes_of_two_directions_are_no_room():
    def plane(normal):
        return room_planes.RoomPlane(np.arange(3), np.array(normal), 0.0, np.zeros(3), 0.1, 1e-4, 0.1, 0.4, 1e6)

    # three planes at 60 degrees to each other
    star = [plane([np.cos(angle), np.sin(angle), 0.0]) for angle in np.radians([0.0, 60.0, 120.0])]
    assert room_evidence.directions(star) is None


def test_a_direction_between_two_walls_is_refused_with_the_nearest_plane():
    wanted = np.array([np.cos(np.radians(40)), np.sin(np.radians(40)), 0.0])
    found = room_hints.nearest("up", wanted, np.eye(3), [])
    assert isinstance(found, NotFound)
    assert "lies 40 degrees" in found.reason and "at most 35 are allowed" in found.reason


def bed(wheel_boxes=True):
    """A pickup's bed: floor, four walls, nothing above; its wheel boxes are half as high as its walls."""
    made = trimesh.creation.box(bounds=[[0, -760, 0], [1550, 760, 520]])
    made = trimesh.Trimesh(made.vertices, made.faces[:, ::-1], process=False)
    made.update_faces(made.triangles_center[:, 2] < 519)
    boxes = [trimesh.creation.box(bounds=[[500, y, 0], [1150, y + 200, 250]]) for y in (-760, 560) if wheel_boxes]
    return trimesh.util.concatenate([made, *boxes]), np.array([775.0, 0.0, 400.0])


def test_a_bed_that_is_open_above_stands_on_its_floor(tmp_path):
    result, left = run(tmp_path, *bed(), names=("front", "rear"))
    assert result["room"]["up"]["decided"] and result["room"]["along"]["decided"]
    assert "the room is open above" in result["room"]["up"]["found_by"]
    assert rigid.angle_deg(left) < 0.05


def test_an_open_side_alone_does_not_say_what_is_above(tmp_path):
    """Without boxes it may be a room on its side; without names the open side may be an end."""
    result, _ = run(tmp_path, *bed(wheel_boxes=False), names=("front", "rear"))
    assert not result["room"]["up"]["decided"]
    result, _ = run(tmp_path, *bed())
    assert not result["room"]["up"]["decided"]


def test_cupboards_opposite_an_open_side_are_no_wheel_boxes_under_an_open_roof(tmp_path):
    """On its left wall the room would be open above, with boxes at both sides: too deep for a bed."""
    made = trimesh.creation.box(bounds=[[0, -880, 0], [3600, 880, 1900]])
    made = trimesh.Trimesh(made.vertices, made.faces[:, ::-1], process=False)
    made.update_faces(made.triangles_center[:, 1] < 879)
    cupboards = [trimesh.creation.box(bounds=[[1200, -880, z], [2300, -500, z + 350]]) for z in (0, 1550)]
    made = trimesh.util.concatenate([made, *cupboards])
    result, _ = run(tmp_path, made, np.array([1800.0, 0.0, 950.0]), names=("front", "rear"))
    assert not result["room"]["up"]["decided"]


def test_one_top_from_side_to_side_is_no_pair_of_boxes():
    across, along = np.meshgrid(np.linspace(150, 350, 20), np.linspace(300, 800, 50))
    strip = np.column_stack([along.ravel(), across.ravel(), np.full(across.size, 300.0)])
    size = np.array([2000.0, 500.0, 1500.0])
    room = room_evidence.Box(np.eye(3), strip, np.tile([0.0, 0.0, 1.0], (len(strip), 1)), np.zeros(3), size)
    assert not room_evidence.wheel_boxes(room, 2, 1.0, 1)
    # the same strip at both walls of a wide room is a pair
    wide = np.concatenate([strip, strip + [0.0, 1500.0, 0.0]])
    normals = np.tile([0.0, 0.0, 1.0], (len(wide), 1))
    room = room_evidence.Box(np.eye(3), wide, normals, np.zeros(3), np.array([2000.0, 2000.0, 1500.0]))
    assert room_evidence.wheel_boxes(room, 2, 1.0, 1)


def test_a_direction_longer_than_vehicles_are_high_is_not_up():
    made = trimesh.creation.box(bounds=[[0, 0, 0], [room_evidence.HIGHEST_MM + 500, 2400, 2300]])
    points, normals = blockcar.scan(trimesh.Trimesh(made.vertices, made.faces[:, ::-1], process=False), 40_000, 1)
    room = room_evidence.Box(np.eye(3), points, normals, points.min(axis=0), points.max(axis=0))
    assert {axis for axis, _ in room_evidence.up_votes(room)} == {1, 2}
    assert {axis for axis, _ in room_evidence.up_votes(room, along=1)} == {2}
