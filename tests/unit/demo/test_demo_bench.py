"""The demo's bench: known errors put into a day's results come out as its figures."""

import json

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

import bodies
import simulate
from bench import demo
from nightbay.core import rigid
from nightbay.meshes import surface

SIZES = {"length": 4000.0, "width": 1800.0, "height": 1500.0, "wheelbase": 2500.0}
SHIFT = np.array([0.12, -0.05, 0.2])
TURN_DEG = 0.004


def _write(path, result):
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps({"result": result}))


def _job(day, truth, job, off_mm, frame_error):
    """Results of one exterior whose surface lies ``off_mm`` outside the true one; its frame is wrong by a pose."""
    T_vehicle_control = simulate.random_frame(np.random.default_rng(1))
    T_control_segment = simulate.random_frame(np.random.default_rng(2))
    low, high = np.array([-800.0, -900, 300]), np.array([3200.0, 900, 1500])
    box = bodies.subdivide(bodies.box(low, high, bodies.PAINT), 200.0)
    shape = surface.Surface(box.vertices_mm.astype(np.float32), box.faces)
    (truth / job).mkdir(parents=True)
    surface.write_ply(truth / job / "surface.ply", shape)
    true = {
        "dimensions_mm": SIZES,
        "T_vehicle_control": T_vehicle_control.tolist(),
        "segments": {"left": {"T_control_segment": T_control_segment.tolist(), "middle_mm": [900.0, 20.0, -400.0]}},
    }
    (truth / job / "truth.json").write_text(json.dumps(true))
    middle = rigid.transform(T_control_segment, [[900.0, 20.0, -400.0]])[0]
    turn = Rotation.from_rotvec(np.radians([0, 0, TURN_DEG])).as_matrix()
    # turned about the segment's middle, then shifted: the middle is off by the shift alone
    wrong = rigid.pose(turn, middle - turn @ middle + SHIFT)
    results = day / "results" / job
    _write(results / "report" / f"{job}.json", {"state": "complete", "fit_tolerance_mm": {"exterior": 0.2}})
    poses = {"left": {"T_control_segment": (wrong @ T_control_segment).tolist()}}
    _write(results / "refine" / "exterior.json", {"poses": poses})
    _write(results / "frame" / "exterior.json", {"T_vehicle_control": (frame_error @ T_vehicle_control).tolist()})
    upper = box.vertices_mm[box.vertices_mm[:, 2] == 1500.0] + [0, 0, off_mm]
    floor = np.array([[0.0, 1100.0, 0.3], [100.0, 1100.0, -0.2]])
    vertices = rigid.transform(frame_error, np.concatenate([upper, floor]))
    fused = surface.Surface(vertices.astype(np.float32), np.zeros((0, 3), np.int32))
    (results / "fuse" / "exterior").mkdir(parents=True)
    surface.write_ply(results / "fuse" / "exterior" / "surface.ply", fused)
    found = {name: {"value_mm": value + 0.5} for name, value in SIZES.items()}
    found["width"]["value_mm"] = SIZES["width"] - 1.25
    _write(results / "measure" / "exterior.json", {"dimensions": found})
    return len(upper)


@pytest.fixture
def finished(tmp_path):
    day, truth = tmp_path / "day", tmp_path / "truth"
    frame_error = rigid.pose(Rotation.from_rotvec([0.001, 0, 0.002]).as_matrix(), (1.0, 2.0, 3.0))
    _job(day, truth, "larch-van", 0.3, frame_error)
    _job(day, truth, "pebble-compact", 0.1, np.eye(4))
    _write(day / "results" / "finch-compact" / "report" / "finch-compact.json", {"state": "refused"})
    _write(day / "results" / "larch-loadbay" / "report" / "larch-loadbay.json", {"state": "complete"})
    for name, peaks in (("a", [900.0, 2048.5]), ("b", [None]), ("c", [100.0])):
        path = day / "logs" / "larch-van" / "fuse" / f"{name}.attempts.json"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps([{"peak_mb": peak} for peak in peaks]))
    return day, truth


def test_known_errors_come_out(finished):
    figures = demo.judge(*finished)
    assert figures["pose_error_mm"] == pytest.approx(np.linalg.norm(SHIFT), abs=1e-6)
    assert figures["pose_error_deg"] == pytest.approx(TURN_DEG, abs=1e-7)
    # the worst of the two vehicles; float32 vertices at metres: 0.001 mm
    assert figures["surface_rms_mm"] == pytest.approx(0.3, abs=0.002)
    assert figures["jobs"]["pebble-compact"]["surface_rms_mm"] == pytest.approx(0.1, abs=0.002)
    assert figures["jobs"]["larch-van"]["surface_beside_share"] > 0
    covers = {name: figures["jobs"][name]["fit_covers"] for name in ("larch-van", "pebble-compact")}
    assert covers == {"larch-van": 0.0, "pebble-compact": 1.0}  # 0.3 and 0.1 mm off, 0.2 mm stated
    assert figures["dimension_error_mm"] == pytest.approx(1.25)
    assert (figures["refused"], figures["complete"]) == (1, 3)
    assert figures["peak_gb"] == pytest.approx(2.0485, abs=0.001)


def test_a_dimension_that_was_not_measured_is_not_passed_over(finished):
    day, truth = finished
    path = day / "results" / "larch-van" / "measure" / "exterior.json"
    result = json.loads(path.read_text())["result"]
    result["dimensions"]["wheelbase"] = None
    _write(path, result)
    figures = demo.judge(day, truth)
    assert figures["dimension_error_mm"] is None
    assert figures["jobs"]["larch-van"]["dimensions_missing"] == ["wheelbase"]


def _joined(day, truth, job, found):
    """Adds the truth of an interior to a job, and ``found`` (T_true, middle) -> the result of join, None for none."""
    path = truth / job / "truth.json"
    true = json.loads(path.read_text())
    T_true, middle = simulate.random_frame(np.random.default_rng(3)), np.array([700.0, -300.0, 1200.0])
    segments = {"bay": {"middle_mm": middle.tolist()}}
    true["joined"] = {"segments": segments, "T_exterior_interior": T_true.tolist()}
    path.write_text(json.dumps(true))
    result = found(T_true, rigid.transform(T_true, [middle])[0])
    if result is not None:
        _write(day / "results" / job / "join" / f"{job}.json", result)


def test_a_known_error_of_a_join_comes_out_in_its_uncertainty(finished):
    turn = Rotation.from_rotvec(np.radians([0, 0, TURN_DEG])).as_matrix()
    about_middle = np.diag([np.radians(TURN_DEG) ** 2] * 3 + [0.1**2] * 3)

    def found(T_true, middle):
        wrong = rigid.pose(turn, middle - turn @ middle + SHIFT)
        covariance = rigid.covariance_at_origin(about_middle, middle)
        return {"T_exterior_interior": (wrong @ T_true).tolist(), "covariance": covariance.tolist()}

    _joined(*finished, "larch-van", found)
    figures = demo.judge(*finished)
    assert figures["join_mm"] == pytest.approx(np.linalg.norm(SHIFT), abs=1e-6)
    assert figures["join_deg"] == pytest.approx(TURN_DEG, abs=1e-7)
    assert figures["join_sds"] == pytest.approx(SHIFT.max() / 0.1, rel=1e-6)


def test_a_join_that_was_refused_is_not_passed_over(finished):
    _joined(*finished, "larch-van", lambda *_: None)
    figures = demo.judge(*finished)
    assert figures["join_mm"] is None and figures["join_deg"] is None and figures["join_sds"] is None
    assert figures["complete"] == 3


def test_ghosts_that_stay_count(finished):
    day, truth = finished
    path = day / "results" / "pebble-compact" / "fuse" / "exterior" / "surface.ply"
    fused = surface.read_ply(path)
    T_true = np.array(json.loads((truth / "pebble-compact" / "truth.json").read_text())["T_vehicle_control"])
    T_found = np.array(demo._result(day, "pebble-compact", "frame", "exterior")["T_vehicle_control"])
    assert T_found == pytest.approx(T_true)
    ghosts = np.tile(np.float32([[1000.0, 0.0, 1540.0]]), (10, 1))
    surface.write_ply(path, surface.Surface(np.concatenate([fused.vertices_mm, ghosts]), fused.faces))
    figures = demo.judge(day, truth)["jobs"]["pebble-compact"]
    count = len(fused.vertices_mm) - 2
    assert figures["surface_rms_mm"] == pytest.approx(np.sqrt((count * 0.1**2 + 10 * 40**2) / (count + 10)), rel=1e-3)
    assert figures["surface_rms_near_mm"] == pytest.approx(0.1, abs=0.002)


def test_a_missing_job_is_said(finished):
    day, truth = finished
    (day / "results" / "larch-loadbay" / "report" / "larch-loadbay.json").unlink()
    figures = demo.judge(day, truth)
    assert figures["states"]["larch-loadbay"] == "missing"
    assert figures["complete"] == 2
