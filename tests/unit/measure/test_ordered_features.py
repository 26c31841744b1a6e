"""Ordered features in stage measure: from what the stages before left to the numbers and the file for CAD."""

import json
from types import SimpleNamespace

import jsonschema
import numpy as np
import pytest

import fuse_scenes
import part_results
from nightbay.clouds import cloud
from nightbay.core import rigid
from nightbay.core.paths import SCHEMAS
from nightbay.features.result import FeaturesResult
from nightbay.measure import ordered_features
from nightbay.network.result import AdjustedTarget, NetworkResult
from nightbay.pipeline import typed
from nightbay.stance.result import LeftOut, Stance
from typed_results import made

SCAN = SimpleNamespace(noise_mm=0.1, target_drift_mm_per_m=0.03)
SCHEMA = json.loads((SCHEMAS / "measure.schema.json").read_text(encoding="utf-8"))
HOLE = {"name": "hole", "kind": "hole", "at_mm": [501.0, 0.0, 300.0], "within_mm": 35.0}
ORDERED = {
    "features": [
        HOLE | {"nominal_mm": 20.0, "lower_mm": -1.0, "upper_mm": 1.0},
        {"name": "T1", "kind": "point", "target": "T1"},
        {"name": "T9", "kind": "point", "target": "T9"},
        {"name": "station", "kind": "plane", "station": {"axis": "x", "value_mm": 100.0}},
    ],
    "distances": [{"name": "to target", "from": "hole", "to": "T1"}, {"name": "x", "from": "station", "to": "hole"}],
    "angles": [{"name": "face", "from": "hole", "to": "station"}],
}  # fmt: skip


@pytest.fixture
def upstream(tmp_path):
    """A plate with a hole of 20 mm at X 500, Z 300 in the vehicle frame, which is moved against the control frame."""
    rng = np.random.default_rng(2)
    points, normals = fuse_scenes.sheet(rng, 90.0, 90.0, 1.0, noise=0.1)
    on = np.linalg.norm(points[:, :2], axis=1) > 10.0
    T_control_segment = rigid.pose(None, [500.0, 0.0, 200.0])
    T_vehicle_control = rigid.pose(None, [0.0, 0.0, 100.0])
    block = cloud.Cloud(points[on].astype(np.float32), normals[on].astype(np.float32))
    cloud.write(tmp_path / "clean", [block], np.zeros(3), 100.0)
    frame = part_results.frame([450, -50, 290], [550, 50, 310], segment="a", found_by=("front axle",) * 3, turn=0.01)
    frame.T_vehicle_control[:] = T_vehicle_control
    refined = part_results.refine({"a": part_results.pose(T_control_segment)})
    target = made(AdjustedTarget, id="T1", xyz_mm=np.array([800.0, 0.0, 200.0]), covariance_mm2=0.01 * np.eye(3))
    network = made(NetworkResult, targets=[target])
    left = {"normals_certainty": None}
    results = {"refine": refined, "frame": frame, "network": network}
    return {
        "clean": [SimpleNamespace(segment="a", folder=tmp_path / "clean", result=left)],
        **{name: SimpleNamespace(result=typed.write(each), folder=tmp_path) for name, each in results.items()},
    }


def test_numbers_fit_the_schema_and_the_file_lies_with_the_deliverables(upstream, tmp_path):
    found = ordered_features.find(upstream, ORDERED, SCAN, tmp_path)
    record = json.loads(json.dumps(typed.write(found), allow_nan=False))
    jsonschema.validate(record, {**SCHEMA["properties"]["features"], "$defs": SCHEMA["$defs"]})
    assert typed.write(typed.read(FeaturesResult, record)) == record
    hole = found.features[0]
    # 20 sectors with gaps of a third of a millimetre
    assert hole.point_mm == pytest.approx([500.0, 0.0, 300.0], abs=4 * np.sqrt(2) / 3 / np.sqrt(20))
    assert hole.values[-1].verdict == "inside" and hole.segments == ["a"]
    values = {value.name: value for value in [*found.distances, *found.angles]}
    assert values["to target"].value == pytest.approx(300.0, abs=1.5 * values["to target"].uncertainty)
    assert values["to target"].budget["target"] == pytest.approx(0.1)
    assert values["x"].value == pytest.approx(400.0, abs=1.5 * values["x"].uncertainty)
    assert values["face"].value == pytest.approx(0.0, abs=0.3)  # axis of the hole and the station's plane
    (refused,) = found.refused
    assert refused.reason == "0 targets have the id 'T9', and exactly one is needed: known are T1"
    lines = (tmp_path / "deliverables" / "features.csv").read_text(encoding="utf-8").splitlines()
    assert lines[3].startswith("item,number,name,kind") and len(lines) > 15


def test_points_that_frame_left_out_are_not_fitted(upstream, tmp_path):
    """Half of the plate stood differently: the hole is no longer enclosed."""
    stood = cloud.CloudFile(tmp_path / "clean")
    np.save(tmp_path / "a.left_out.npy", stood.block(0, len(stood)).xyz_mm[:, 0] > 0.0)
    stance = made(Stance, left_out=[made(LeftOut, segment="a")])
    upstream["frame"].result["stance"] = typed.write(stance)
    found = ordered_features.find(upstream, {"features": [HOLE]}, SCAN, tmp_path)
    assert found.features == [] and "no hole of more than" in found.refused[0].reason


def test_without_orders_nothing_is_read_or_written(tmp_path):
    assert ordered_features.find({}, {}, SCAN, tmp_path) is None
    assert not (tmp_path / "deliverables").exists()
