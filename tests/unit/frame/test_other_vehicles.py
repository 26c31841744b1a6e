"""Vehicles that do not stand on four wheels: which plane comes from what, and what is kept with which reason."""

import json
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import trimesh
import yaml
from scipy.spatial.transform import Rotation

import blockcar
import motorcycle
import networks
from nightbay.core import rigid
from nightbay.frame import frame
from nightbay.network.result import AdjustedTarget, NetworkResult, Scale
from nightbay.pipeline import typed
from nightbay.pipeline.settings import settings as frozen
from nightbay.pipeline.stage import Upstream

ROOT = Path(__file__).resolve().parents[3]
SCHEMA = json.loads((ROOT / "workflow/schemas/frame.schema.json").read_text(encoding="utf-8"))
DEFAULTS = yaml.safe_load((ROOT / "config/config.yaml").read_text(encoding="utf-8"))
T_CONTROL_VEHICLE = rigid.pose(blockcar.rotation(np.random.default_rng(8)), [700.0, 900.0, -400.0])


def run(folder, scan, halves_at, *, ground=True, sheet=None, named=None, coarse_mm=30.0):
    """Result of frame for points and normals in two segments, front and rear; ``named`` {target: true mm}."""
    points, normals = scan
    rows = {
        "front": np.flatnonzero(points[:, 0] < halves_at + 200),
        "rear": np.flatnonzero(points[:, 0] > halves_at - 200),
    }
    rows = {name: mine for name, mine in rows.items() if len(mine)}
    upstream = blockcar.upstream(folder, points, normals, rows, T_CONTROL_VEHICLE, ground=ground)
    if named:
        targets = [
            AdjustedTarget(number, name, at, np.eye(3) * 0.05**2, ["control survey"], False)
            for number, (name, at) in enumerate(
                (name, rigid.transform(T_CONTROL_VEHICLE, [at])[0]) for name, at in named.items()
            )
        ]
        found = typed.write(
            NetworkResult("control", "", {}, [], [], typed.read(Scale, networks.UNSCALED), targets=targets)
        )
        upstream["network"] = Upstream("network", "job", "exterior", None, "ok", [], [], found, folder)
    options = frozen({"scan": DEFAULTS["scan"], "frame": {**DEFAULTS["frame"], "coarse_mm": coarse_mm}})
    result = frame.frame(upstream, sheet or {}, options, folder, 1)
    numbers = {key: value for key, value in result.items() if key != "notes"}
    jsonschema.validate(json.loads(json.dumps(numbers)), SCHEMA)
    return result


def error(result):
    """What is left between the vehicle frame that was found and the true one."""
    return np.array(result["T_vehicle_control"]) @ T_CONTROL_VEHICLE


def found_by(result):
    return [result["zero_planes"][name]["found_by"] for name in "xyz"]


def differences(result, plane, way):
    (row,) = (row for row in result["ways"] if row["plane"] == plane and row["found_by"] == way)
    return {entry["quantity"]: entry for entry in row["differences"]}


def turned(scan, axis, degrees, about_mm):
    rotation = Rotation.from_euler(axis, degrees, degrees=True)
    return rotation.apply(scan[0] - about_mm) + about_mm, rotation.apply(scan[1])


@pytest.fixture(scope="module")
def cycle():
    return blockcar.scan(trimesh.util.concatenate(motorcycle.parts()), 90_000, 4)


def test_a_motorcycle_on_its_side_stand_has_a_frame_of_its_own(cycle, tmp_path):
    """It leans by 11 degrees to its left: the frame follows it, and the ground differs by that."""
    leaning = turned(cycle, "x", -11.0, [0.0, 0.0, 0.0])
    result = run(tmp_path, leaning, 700, coarse_mm=15.0)
    assert result["state"] == "vehicle" and found_by(result)[2] == "tyre contact"
    left = error(result) @ rigid.pose(Rotation.from_euler("x", -11.0, degrees=True).as_matrix())
    assert rigid.angle_deg(left) < 0.3  # the plane's pitch comes from two tyres' lowest points, 10 mm / 1430 mm at most
    assert left[:2, 3] == pytest.approx([0.0, 0.0], abs=2.0)
    tilt = differences(result, "z", "ground plane")["rotation about X"]
    assert abs(tilt["value"]) == pytest.approx(11.0, abs=0.3) and tilt["significant"]
    assert any("leans by 11.0 degrees against the ground, as on a stand" in note for note in result["notes"])


def test_a_motorcycle_on_a_rear_stand_stands_on_the_ground_and_its_tyres_say_otherwise(cycle, tmp_path):
    """The rear tyre 40 mm off the ground, 1430 mm behind the front one: 1.6 degrees of pitch."""
    pitch_deg = np.degrees(np.arcsin(40.0 / motorcycle.WHEELBASE))
    lifted = turned(cycle, "y", -pitch_deg, [0.0, 0.0, 0.0])
    result = run(tmp_path, (lifted[0] + [0, 0, 0.2], lifted[1]), 700, coarse_mm=15.0)
    assert found_by(result) == ["front axle", "symmetry plane of the part", "ground plane"]
    assert error(result)[2, :3] == pytest.approx([0, 0, 1], abs=1e-4)
    centres = [wheel["centre_mm"][2] for wheel in result["wheels"]]
    rise = centres[1] - centres[0] - (motorcycle.RADIUS["rear"] - motorcycle.RADIUS["front"])
    assert rise == pytest.approx(40.0, abs=1.0)


def trailer(axles):
    """A box on wheels with a drawbar ahead: X rearward from the first axle."""
    parts = [trimesh.creation.box(bounds=[[-1200, -780, 480], [1400, 780, 900]])]
    parts.append(trimesh.creation.box(bounds=[[-2300, -45, 420], [-1150, 45, 500]]))
    parts += [blockcar.wheel(x, side * 920) for x in axles for side in (-1, 1)]
    parts += [trimesh.creation.box(bounds=[[x - 30, -850, 280], [x + 30, 850, 340]]) for x in axles]
    return blockcar.scan(trimesh.util.concatenate(parts), 90_000, 6)


def test_a_trailer_of_one_axle_has_its_zero_there_and_says_that_it_is_the_only_one(tmp_path):
    result = run(tmp_path, trailer([0.0]), 0.0)
    assert found_by(result) == ["only axle", "symmetry plane of the part", "ground plane"]
    assert error(result)[:3, 3] == pytest.approx(np.zeros(3), abs=0.4)
    assert any("Zero X lies in the only axle that was found" in note for note in result["notes"])
    row = next(row for row in result["ways"] if row["found_by"] == "midpoint of the only axle")
    assert row["counted"] == "wheels" and not any(entry["significant"] for entry in row["differences"])


def test_a_trailer_of_two_axles_has_its_zero_in_the_one_at_the_drawbar(tmp_path):
    result = run(tmp_path, trailer([0.0, 750.0]), 300.0)
    assert found_by(result) == ["front axle", "symmetry plane of the part", "ground plane"]
    assert [axle["x_mm"] for axle in result["axles"]] == pytest.approx([0.0, 750.0], abs=0.4)
    assert not any("only axle" in note for note in result["notes"])


@pytest.fixture(scope="module")
def shell():
    """The block car's body without its wheels, as on stands."""
    points, normals = blockcar.scan(blockcar.car(), 90_000, 1)
    body = ~((points[:, 2] < 640) & (np.abs(points[:, 1]) > 801)) & (points[:, 2] > 249)
    return points[body], normals[body]


def test_a_body_shell_on_stands_over_a_floor_is_level_with_it_and_has_no_zero_x(shell, tmp_path):
    result = run(tmp_path, shell, 1200, coarse_mm=45.0)
    assert result["state"] == "partial"
    assert found_by(result) == ["kept", "symmetry plane of the part", "ground plane"]
    assert any("No wheel stands on the ground" in note for note in result["notes"])


NAMED = {"7": [-600.0, -700, 700], "8": [3000.0, 690, 760], "9": [1200.0, 600, 1300], "10": [500.0, -760, 300]}


def listed(axes="xyz", shift=(0.0, 0.0, 0.0)):
    return [
        {"target": name, **{f"{axis}_mm": at["xyz".index(axis)] + shift["xyz".index(axis)] for axis in axes}}
        for name, at in NAMED.items()
    ]


def test_a_body_shell_without_ground_or_wheels_stays_as_scanned_unless_fiducials_are_named(shell, tmp_path):
    kept = run(tmp_path / "kept", shell, 1200, ground=False, coarse_mm=45.0)
    assert kept["state"] == "as scanned" and np.array_equal(kept["T_vehicle_control"], np.eye(4))
    sheet = {"vehicle_frame": {"fiducials": listed()}}
    fixed = run(tmp_path / "fixed", shell, 1200, ground=False, sheet=sheet, named=NAMED, coarse_mm=45.0)
    assert fixed["state"] == "vehicle" and found_by(fixed) == ["named fiducials"] * 3
    assert error(fixed) == pytest.approx(np.eye(4), abs=1e-6)
    assert fixed["ground"] is None and fixed["heading"] == {"found_by": "named fiducials", "assumed": False}
    assert [row["count"] for row in fixed["ways"] if row["used"]] == [4, 4, 4]


def test_few_fiducials_without_any_other_way_leave_the_frame_as_scanned_and_say_why(shell, tmp_path):
    sheet = {"vehicle_frame": {"fiducials": listed()[:2]}}
    result = run(tmp_path, shell, 1200, ground=False, sheet=sheet, named=NAMED, coarse_mm=45.0)
    assert result["state"] == "as scanned"
    assert any(note.startswith("The fiducials of the job sheet are not used: ") for note in result["notes"])


def test_half_a_vehicle_keeps_what_it_does_not_show(tmp_path):
    points, normals = blockcar.scan(blockcar.car(), 110_000, 1)
    side = points[:, 1] < -300
    left = run(tmp_path / "side", (points[side], normals[side]), 1200, coarse_mm=45.0)
    assert found_by(left) == ["kept", "kept", "ground plane"]
    assert left["zero_planes"]["x"]["reason"] == "without zero Y the axles' direction is not known"
    ahead = points[:, 0] < 900
    front = run(tmp_path / "front", (points[ahead], normals[ahead]), 0, coarse_mm=45.0)
    assert found_by(front) == ["only axle", "symmetry plane of the part", "ground plane"]
    assert error(front)[:3, 3] == pytest.approx(np.zeros(3), abs=0.4)


def test_fiducials_come_before_ground_symmetry_and_axles_which_are_compared_with_them(tmp_path):
    """Nominal coordinates of a design grid whose zero lies 800 mm ahead of the axle, 9 mm to a side, 200 mm up."""
    car = blockcar.scan(blockcar.car(), 110_000, 1)
    shift = np.array([800.0, 9.0, -200.0])
    sheet = {"vehicle_frame": {"fiducials": [{**entry, "sd_mm": 0.3} for entry in listed(shift=shift)]}}
    result = run(tmp_path, car, 1200, sheet=sheet, named=NAMED, coarse_mm=45.0)
    assert found_by(result) == ["named fiducials"] * 3
    assert error(result) == pytest.approx(rigid.pose(np.eye(3), shift), abs=1e-6)
    assert differences(result, "x", "front axle")["position"]["value"] == pytest.approx(800.0, abs=0.5)
    assert not differences(result, "x", "front axle")["position"]["significant"]  # the grid's zero is the drawing's
    aside = differences(result, "y", "symmetry plane of the part")["position"]
    assert aside["value"] == pytest.approx(9.0, abs=0.5) and aside["significant"]
    assert result["ground"]["offset_mm"] == pytest.approx(-200.0, abs=0.5)
    assert [axle["x_mm"] for axle in result["axles"]] == pytest.approx([800.0, 3300.0], abs=0.5)
