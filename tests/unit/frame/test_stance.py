"""Frame on a plain car whose body sank on its wheels in one of its segments, and what fuse then reads."""

import json
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import yaml

import blockcar
import part_results
from nightbay.clean.result import Reason
from nightbay.core import rigid
from nightbay.frame import frame
from nightbay.frame.result import FrameResult
from nightbay.fuse import fuse
from nightbay.orientation import normal_orientation
from nightbay.pipeline import typed
from nightbay.pipeline.settings import settings as frozen
from nightbay.pipeline.stage import Upstream
from nightbay.stance import left_out

ROOT = Path(__file__).resolve().parents[3]
SCHEMA = json.loads((ROOT / "workflow/schemas/frame.schema.json").read_text(encoding="utf-8"))
T_CONTROL_VEHICLE = rigid.pose(blockcar.rotation(np.random.default_rng(3)), [1200.0, -800.0, 2500.0])
SEEN = {  # of points in the vehicle frame
    "front": lambda at: at[:, 0] < 250.0,
    "left": lambda at: at[:, 1] < -100.0,
    "rear": lambda at: at[:, 0] > 2250.0,
    "right": lambda at: at[:, 1] > 100.0,
}
SANK_MM, LEANT = 4.0, 0.002


@pytest.fixture(scope="module")
def car():
    return blockcar.scan(blockcar.car(), 200_000, 1)


@pytest.fixture(scope="module")
def floor():
    rng = np.random.default_rng(8)
    at = rng.uniform([-1500, -1400], [4000, 1400], (60_000, 2))
    wave = np.sin(at[:, 0] / 700.0) + rng.normal(0, 0.2, len(at))
    return np.column_stack([at, wave])[np.abs(at[:, 1]) > 600.0]


def on_wheels(points):
    wheels = [(x, side * 840.0) for x in (0.0, 2500.0) for side in (-1, 1)]
    return np.any(
        [
            (np.hypot(points[:, 0] - x, points[:, 2] - 310.0) < 311.0) & (np.abs(points[:, 1] - y * 0.88) < 120.0)
            for x, y in wheels
        ],
        axis=0,
    )


def rise(points):
    return SANK_MM + LEANT * points[:, 1]


def job(folder, car, floor, moved):
    """Clean and refine of the car, in whose segment ``moved`` the wheels and the floor stand higher."""
    points, normals = car
    pieces, rows, at = [], {}, 0
    for name, seen in SEEN.items():
        mine = np.flatnonzero(seen(points))
        own = points[mine].copy()
        if name == moved:
            wheels = on_wheels(own)
            own[wheels, 2] += rise(own[wheels])
        pieces.append((own, normals[mine]))
        rows[name] = np.arange(at, at + len(own))
        at += len(own)
    whole = [np.concatenate(parts) for parts in zip(*pieces, strict=True)]
    made = blockcar.upstream(folder, *whole, rows, T_CONTROL_VEHICLE)
    for segment in made["clean"]:
        own = floor[SEEN[segment.segment](floor)].copy()
        if segment.segment == moved:
            own[:, 2] += rise(own)
        T_control_segment = np.array(made["refine"].result["poses"][segment.segment]["T_control_segment"])
        at_mm = rigid.transform(rigid.invert(T_control_segment) @ T_CONTROL_VEHICLE, own)
        part_results.write_removed(segment.folder, at_mm, np.zeros(3))
        segment.result["ground"] = _plane(at_mm, T_control_segment)
        segment.result["reasons"] = {str(int(Reason.GROUND)): Reason.GROUND.word}
    return made


def _plane(at_mm, T_control_segment):
    middle = at_mm.mean(axis=0)
    normal = np.linalg.svd(at_mm - middle, full_matrices=False)[2][2]
    up = (rigid.invert(T_control_segment) @ T_CONTROL_VEHICLE)[:3, 2]
    normal = normal * np.sign(normal @ up)
    return {"normal": normal.tolist(), "offset_mm": float(normal @ middle), "sd_mm": 0.8, "points": len(at_mm)}


def run(made, folder, **stance):
    defaults = yaml.safe_load((ROOT / "config/config.yaml").read_text(encoding="utf-8"))
    options = frozen({"scan": defaults["scan"], "frame": {**defaults["frame"], "coarse_mm": 45.0}})
    folder.mkdir()
    result = frame.frame(made, {"stance": stance} if stance else {}, options, folder, 1)
    notes = result.pop("notes")
    jsonschema.validate(json.loads(json.dumps(result)), SCHEMA)
    return typed.read(FrameResult, result), notes, result


@pytest.fixture(scope="module")
def sunk(car, floor, tmp_path_factory):
    folder = tmp_path_factory.mktemp("sunk")
    made = job(folder, car, floor, "left")
    return made, folder / "out", *run(made, folder / "out")


def test_a_body_that_stood_alike_is_not_warned_of(car, floor, tmp_path):
    result, notes, _ = run(job(tmp_path, car, floor, None), tmp_path / "out")
    assert result.stance.chosen_by == "nothing moved"
    assert result.stance.movements == result.stance.panels == result.stance.doubled_wheels == []
    assert result.stance.compared == result.stance.used == sorted(SEEN)
    assert not any("stood" in note for note in notes)
    assert list((tmp_path / "out").iterdir()) == []


def test_a_segment_in_which_the_body_sank_is_named_and_measured(sunk):
    _, _, result, notes, _ = sunk
    (moved,) = result.stance.movements
    assert moved.segment == "left"
    assert result.stance.used == ["front", "rear", "right"]
    assert result.stance.chosen_by == "agreement"
    for wheel in moved.wheels:
        true = SANK_MM + LEANT * wheel.at_mm[1]
        assert abs(wheel.rise_mm - true) < 3 * wheel.sd_mm + 0.1
    assert {wheel.wheel for wheel in moved.wheels} == {"front left", "front right", "rear left", "rear right"}
    assert moved.roll_deg == pytest.approx(np.degrees(LEANT), abs=3 * moved.roll_sd_deg + 0.01)
    assert abs(moved.drop_front_mm - SANK_MM) < 3 * moved.drop_front_sd_mm + 0.1
    assert any("In segment left the body stood" in note for note in notes)


def test_the_frame_comes_from_the_segments_that_agree(sunk):
    left = sunk[2].T_vehicle_control @ T_CONTROL_VEHICLE
    assert sunk[2].zero_planes["z"].segments == ["front", "rear", "right"]
    # the floor's wave of 1 mm is what is left; with the fourth segment the frame would be 1 mm and 0.05 deg off
    assert abs(left[2, 3]) < 0.6
    assert rigid.angle_deg(left) < 0.03


def test_its_wheels_are_left_out_of_the_model_and_nothing_else(sunk):
    made, out, result, _, numbers = sunk
    (left,) = result.stance.left_out
    assert (left.segment, left.where) == ("left", "wheels")
    framed = Upstream("frame", "job", "exterior", None, "ok", [], [], numbers, out)
    sources = fuse.read_sources({**made, "frame": framed}, out / "sources")
    whole = {
        cleaned.segment: normal_orientation.open_posed(cleaned, made["refine"], result.T_vehicle_control)
        for cleaned in made["clean"]
    }
    for source in sources:
        kept = rigid.transform(source.T_frame_cloud, source.cloud.block(0, len(source.cloud)).xyz_mm)
        everything = rigid.transform(source.T_frame_cloud, whole[source.name].cloud.block(0, 10**7).xyz_mm)
        wheels = on_wheels(kept).sum()
        if source.name == "left":
            assert len(everything) - len(kept) == left.count
            # some points of the sill lie in a wheel's space
            assert wheels < 0.02 * on_wheels(everything).sum()
            assert left.count < 1.5 * on_wheels(everything).sum()
        else:
            assert len(kept) == len(everything)


def test_the_job_sheet_says_which_stance_is_right(sunk, tmp_path):
    result, _, _ = run(sunk[0], tmp_path / "out", wheels_from="left")
    assert result.stance.chosen_by == "job sheet"
    assert result.stance.used == ["left"]
    assert {moved.segment for moved in result.stance.movements} == {"front", "rear", "right"}
    assert left_out.segments(typed.write(result)) == {"front", "rear", "right"}
