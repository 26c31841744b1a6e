import json
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import trimesh
import yaml
from scipy.spatial.transform import Rotation

import blockcar
from nightbay.core import rigid
from nightbay.frame import frame
from nightbay.pipeline.settings import settings as frozen

ROOT = Path(__file__).resolve().parents[3]
SCHEMA = json.loads((ROOT / "workflow/schemas/frame.schema.json").read_text(encoding="utf-8"))
T_CONTROL_VEHICLE = rigid.pose(blockcar.rotation(np.random.default_rng(3)), [1200.0, -800.0, 2500.0])


def settings(**changed):
    defaults = yaml.safe_load((ROOT / "config/config.yaml").read_text(encoding="utf-8"))
    return frozen({"scan": defaults["scan"], "frame": {**defaults["frame"], "coarse_mm": 45.0, **changed}})


@pytest.fixture(scope="module")
def car():
    return blockcar.scan(blockcar.car(), 160_000, 1)


def segments(points, names=("front", "left", "rear", "right")):
    x, y = points[:, 0], points[:, 1]
    rows = [x < 800, y < 100, x > 1500, y > -100]
    return {name: np.flatnonzero(row) for name, row in zip(names, rows, strict=True)}


def run(folder, points, normals, parts, sheet=None, threads=1, ground=True, part="exterior", **changed):
    upstream = blockcar.upstream(folder, points, normals, parts, T_CONTROL_VEHICLE, ground=ground, part=part)
    result = frame.frame(upstream, sheet or {}, settings(**changed), folder, threads)
    numbers = {key: value for key, value in result.items() if key != "notes"}
    jsonschema.validate(json.loads(json.dumps(numbers)), SCHEMA)
    return result


def error(result):
    """What is left between the vehicle frame that was found and the true one."""
    return np.array(result["T_vehicle_control"]) @ T_CONTROL_VEHICLE


@pytest.fixture(scope="module")
def whole(car, tmp_path_factory):
    return run(tmp_path_factory.mktemp("whole"), *car, segments(car[0]))


def test_the_true_vehicle_frame_is_found(whole):
    left = error(whole)
    assert whole["state"] == "vehicle"
    assert whole["axes"] == "design_grid"
    # 160 000 points leave 300 mm2 a point: a wheel has 1500, its centre is good to a few hundredths of a millimetre
    assert left[:3, 3] == pytest.approx(np.zeros(3), abs=0.2)
    assert rigid.angle_deg(left) < 0.005


def test_each_zero_plane_says_how_it_was_found(whole):
    planes = whole["zero_planes"]
    assert [planes[name]["found_by"] for name in "xyz"] == [
        "front axle",
        "symmetry plane of the part",
        "ground plane",
    ]
    for plane in planes.values():
        assert plane["sd_mm"] > 0
        assert plane["reason"] is None
    T_control_vehicle = rigid.invert(np.array(whole["T_vehicle_control"]))
    for at, name in enumerate("xyz"):
        normal = np.array(planes[name]["normal"])
        assert abs(normal @ T_control_vehicle[:3, at]) == pytest.approx(1.0, abs=1e-9)
        assert planes[name]["offset_mm"] == pytest.approx(normal @ T_control_vehicle[:3, 3], abs=1e-6)


def test_wheels_and_axles_stand_where_they_are(whole):
    assert [wheel["side"] for wheel in whole["wheels"]] == ["left", "right", "left", "right"]
    assert [axle["x_mm"] for axle in whole["axles"]] == pytest.approx([0.0, blockcar.WHEELBASE], abs=0.3)
    for wheel in whole["wheels"]:
        assert wheel["centre_mm"][2] == pytest.approx(blockcar.RADIUS, abs=0.3)
    for axle in whole["axles"]:
        # half the distance between the wheels' own errors of the outer face
        assert axle["middle_y_mm"] == pytest.approx(0.0, abs=4 * axle["middle_y_sd_mm"])


def test_every_way_to_a_zero_plane_is_stated_and_agrees_on_a_sound_vehicle(whole):
    rows = [(row["plane"], row["found_by"], row["used"], row["count"], row["counted"]) for row in whole["ways"]]
    assert [row[:3] for row in rows] == [
        ("x", "front axle", True),
        ("y", "symmetry plane of the part", True),
        ("y", "midpoint of the front axle", False),
        ("y", "midpoint of the rear axle", False),
        ("z", "ground plane", True),
        ("z", "tyre contact", False),
    ]
    assert rows[2][3:] == (2, "wheels") and rows[4][3:] == (4, "segments")
    found = [entry for row in whole["ways"] for entry in row["differences"]]
    assert len(found) == 2 + 2 + 3 and not any(entry["significant"] for entry in found)
    for entry in found:
        # no difference but noise: within three standard uncertainties
        assert abs(entry["value"]) < 3 * entry["sd"] + 0.01
    heights = next(entry for row in whole["ways"] if row["found_by"] == "tyre contact" for entry in row["differences"])
    assert heights["quantity"] == "position" and heights["value"] == pytest.approx(0.0, abs=10.0)


def test_iso_8855_is_the_design_grid_turned_about_z(whole, car, tmp_path):
    turned = run(tmp_path, *car, segments(car[0]), axes="iso_8855")
    T = np.array(turned["T_vehicle_control"]) @ rigid.invert(np.array(whole["T_vehicle_control"]))
    assert pytest.approx(np.diag([-1.0, -1.0, 1.0, 1.0]), abs=1e-9) == T
    assert turned["wheels"][0]["side"] == "left"
    assert turned["wheels"][0]["sidewalls_y_mm"]["left"] > 0
    assert turned["axles"][1]["x_mm"] == pytest.approx(-blockcar.WHEELBASE, abs=0.3)


def test_order_of_segments_and_threads_change_nothing(whole, car, tmp_path):
    upstream = blockcar.upstream(tmp_path, *car, segments(car[0]), T_CONTROL_VEHICLE)
    upstream["clean"].reverse()
    assert frame.frame(upstream, {}, settings(), tmp_path, 2) == whole


def test_without_names_the_front_is_assumed_and_says_so(car, tmp_path):
    result = run(tmp_path, *car, segments(car[0], "abcd"))
    assert result["heading"] == {"found_by": "shape", "assumed": True}
    assert any("assumed from the shape" in note for note in result["notes"])
    assert rigid.angle_deg(error(result)) < 0.01


def test_the_job_sheet_can_say_where_the_front_is(car, tmp_path):
    rearward = T_CONTROL_VEHICLE[:3, 0]
    axis = int(np.argmax(np.abs(rearward)))
    forward = ("-" if rearward[axis] > 0 else "+") + "xyz"[axis]
    result = run(tmp_path, *car, segments(car[0], "abcd"), {"axes": {"forward": forward}})
    assert result["heading"] == {"found_by": "job sheet", "assumed": False}
    assert rigid.angle_deg(error(result)) < 0.01


def test_names_of_segments_tell_the_front_against_the_shape(car, tmp_path):
    result = run(tmp_path, *car, segments(car[0], ("rear", "b", "front", "d")))
    assert result["heading"]["found_by"] == "names of segments"
    assert rigid.angle_deg(error(result)) == pytest.approx(180.0, abs=0.01)
    # the axle that counts as the front one gives zero X
    assert error(result)[0, 3] == pytest.approx(blockcar.WHEELBASE, abs=0.3)


def test_zero_y_from_an_axle_and_both_are_stated(car, tmp_path):
    points, normals = car
    # the body pushed 12 mm to the right on its wheels
    shifted = points + np.outer(points[:, 2] > 640, [0.0, 12.0, 0.0])
    shifted[(points[:, 2] < 640) & (np.abs(points[:, 1]) < 801) & (points[:, 2] > 249), 1] += 12.0
    body = run(tmp_path / "body", shifted, normals, segments(shifted))
    axle = run(tmp_path / "axle", shifted, normals, segments(shifted), zero_y="axle")
    assert axle["zero_planes"]["y"]["found_by"] == "midpoint of the rear axle"
    assert error(axle)[1, 3] == pytest.approx(0.0, abs=0.5)
    assert axle["axles"][1]["middle_y_mm"] == pytest.approx(0.0, abs=1e-6)
    assert error(body)[1, 3] == pytest.approx(-12.0, abs=1.0)
    assert body["axles"][1]["middle_y_mm"] == pytest.approx(-12.0, abs=1.0)
    for result, way, sign in ((body, "midpoint of the rear axle", -1.0), (axle, "symmetry plane of the part", 1.0)):
        (row,) = (row for row in result["ways"] if row["found_by"] == way)
        offset = next(entry for entry in row["differences"] if entry["quantity"] == "position")
        assert offset["value"] == pytest.approx(sign * 12.0, abs=1.0) and offset["significant"]


def test_one_side_gives_zero_z_and_says_why_there_is_no_y(car, tmp_path):
    points, normals = car
    left = points[:, 1] < -300
    parts = {"left": np.arange(np.count_nonzero(left))}
    result = run(tmp_path, points[left], normals[left], parts)
    assert result["state"] == "partial"
    assert result["zero_planes"]["y"]["found_by"] == "kept"
    assert result["zero_planes"]["y"]["reason"]
    assert result["zero_planes"]["z"]["found_by"] == "ground plane"
    assert any("Zero Y is kept as scanned" in note for note in result["notes"])
    assert error(result)[2, :3] == pytest.approx([0, 0, 1], abs=1e-4)


def test_without_a_scanned_ground_the_tyres_give_it(car, tmp_path):
    result = run(tmp_path, *car, segments(car[0]), ground=False)
    plane = result["zero_planes"]["z"]
    assert plane["found_by"] == "tyre contact"
    left = error(result)
    assert abs(left[2, 3]) < 2 * plane["sd_mm"]
    assert rigid.angle_deg(left) < 0.1
    assert result["state"] == "vehicle"


def test_a_body_without_ground_or_wheels_stays_as_scanned(car, tmp_path):
    points, normals = car
    upper = points[:, 2] > 820
    parts = {"only": np.arange(np.count_nonzero(upper))}
    result = run(tmp_path, points[upper], normals[upper], parts, ground=False)
    assert result["state"] == result["axes"].replace("_", " ") == "as scanned"
    assert np.array_equal(result["T_vehicle_control"], np.eye(4))
    assert result["rotation_sd_deg"] == {"x": None, "y": None, "z": None}
    assert any("kept as scanned" in note for note in result["notes"])


def test_the_roll_of_a_body_on_its_wheels_is_stated(car, tmp_path):
    points, normals = (array.copy() for array in car)
    body = (points[:, 2] > 640) | ((np.abs(points[:, 1]) < 801) & (points[:, 2] > 249))
    lean = Rotation.from_euler("x", -0.5, degrees=True)  # Z towards +Y: the top leans to the right
    points[body] = lean.apply(points[body] - [0, 0, 300]) + [0, 0, 300]
    normals[body] = lean.apply(normals[body])
    found = run(tmp_path, points, normals, segments(points))["symmetry"]
    # wheels, about a fifth of all points, stay upright
    assert found["roll_deg"] == pytest.approx(0.5, abs=0.1)


def test_a_vehicle_that_leans_against_the_ground_has_the_frame_of_its_tyres(car, tmp_path):
    """One side on a ramp: 8 degrees are more than springs give, and zero Z follows the tyres, not the ground."""
    points, normals = car
    lean = Rotation.from_euler("x", -8.0, degrees=True)
    result = run(tmp_path, lean.apply(points), lean.apply(normals), segments(points))
    assert result["zero_planes"]["z"]["found_by"] == "tyre contact"
    left = error(result) @ rigid.pose(lean.as_matrix())
    assert rigid.angle_deg(left) < 0.1
    (ground,) = (row for row in result["ways"] if row["found_by"] == "ground plane")
    (tilt,) = (entry for entry in ground["differences"] if entry["quantity"] == "rotation about X")
    assert abs(tilt["value"]) == pytest.approx(8.0, abs=0.1) and tilt["significant"]


def test_a_body_that_leans_on_tyres_that_do_not_show_keeps_zero_y_as_scanned(car, tmp_path):
    points, normals = car
    body = (points[:, 2] > 640) | ((np.abs(points[:, 1]) < 801) & (points[:, 2] > 249))
    lean = Rotation.from_euler("x", -8.0, degrees=True)
    leaning = points[body], normals[body]
    result = run(tmp_path, lean.apply(leaning[0]), lean.apply(leaning[1]), segments(leaning[0]))
    reason = result["zero_planes"]["y"]["reason"]
    assert "leans by 8.0 degrees from the ground's normal, at most 3 are allowed" in reason
    assert result["wheels"] == []


def test_a_motorcycle_stands_on_two_wheels(tmp_path):
    parts = [blockcar.wheel(x, y, radius=300, width=60) for x in (0.0, 1400.0) for y in (60.0, -60.0)]
    for low, high in (((300, -120, 250), (1100, 120, 700)), ((350, -110, 700), (800, 110, 950))):
        parts.append(trimesh.creation.box(bounds=[low, high]))
    parts.append(trimesh.creation.box(bounds=[(150, -380, 1020), (190, 380, 1050)]))
    parts.append(trimesh.creation.box(bounds=[(100, -40, 600), (200, 40, 1040)]))
    points, normals = blockcar.scan(trimesh.util.concatenate(parts), 80_000, 4)
    rows = {"front": np.flatnonzero(points[:, 0] < 800), "rear": np.flatnonzero(points[:, 0] > 500)}
    result = run(tmp_path, points, normals, rows, coarse_mm=15.0)
    assert [wheel["side"] for wheel in result["wheels"]] == ["middle", "middle"]
    assert [axle["x_mm"] for axle in result["axles"]] == pytest.approx([0.0, 1400.0], abs=0.3)
    assert result["axles"][0]["over_tyres_mm"] is None
    assert error(result)[:3, 3] == pytest.approx(np.zeros(3), abs=0.3)


def test_grounds_that_disagree_widen_the_uncertainty(car, whole, tmp_path):
    upstream = blockcar.upstream(tmp_path, *car, segments(car[0]), T_CONTROL_VEHICLE)
    upstream["clean"][0].result["ground"]["offset_mm"] += 4.0
    result = frame.frame(upstream, {}, settings(), tmp_path, 1)
    plane = result["zero_planes"]["z"]
    assert plane["spread_mm"] > 0.5
    assert plane["sd_mm"] > whole["zero_planes"]["z"]["sd_mm"] + 0.3
    assert abs(error(result)[2, 3]) < 3 * plane["sd_mm"]


def test_poses_that_are_unsure_make_the_symmetry_plane_unsure(car, whole, tmp_path):
    upstream = blockcar.upstream(tmp_path, *car, segments(car[0]), T_CONTROL_VEHICLE)
    for pose in upstream["refine"].result["poses"].values():
        pose["covariance"] = np.diag([0, 0, 0, 1.0, 1.0, 1.0]).tolist()
    result = frame.frame(upstream, {}, settings(), tmp_path, 1)
    # four segments of about equal size, each with 1 mm: 1 / sqrt(4)
    for name in "xy":
        assert result["zero_planes"][name]["registration_sd_mm"] == pytest.approx(0.5, abs=0.1)
        assert result["zero_planes"][name]["sd_mm"] > 5 * whole["zero_planes"][name]["sd_mm"]
