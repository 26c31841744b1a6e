"""The stage refine on small simulated parts: poses against the truth, what is kept, what is refused."""

import numpy as np
import overlap_scenes
import pytest
from nightbay import network_model, refine, rigid, stage
from nightbay.errors import Rejected

SETTINGS = {
    "scan": {
        "resolution_mm": 4.0,
        "noise_mm": 0.1,
        "smallest_mm": 6.0,
        "target_noise_mm": 0.05,
        "target_drift_mm_per_m": overlap_scenes.DRIFT_MM_PER_M,
    },
    "refine": {
        "correspondences": 4000,
        "patch_mm": 400.0,
        "drift_length_mm": 1500.0,
        "feature_drift_mm_per_m": 0.3,
        "folds": 5,
        "confidence": 0.975,
        "coarse_mm": 60.0,
        "overlap_least": 0.15,
        "ambiguity": 2.0,
    },
}


def run(cleaned, network, tmp_path):
    """The stage as the pipeline runs it, schema included."""
    for one in [*cleaned, network]:
        one.status, one.reasons = "ok", []
    return stage.execute(
        refine.refine,
        stage="refine",
        wildcards={"job": "j", "part": "exterior"},
        upstream={"clean": cleaned, "network": network},
        sheet={},
        settings=SETTINGS,
        folder=tmp_path / "refine",
        threads=1,
    )


def egg_part(folder, seed, sd_mm, sd_rad, worse=()):
    """Four segments of the egg with target poses drawn from their covariances; ``worse`` ones ten times as far off."""
    rng = np.random.default_rng(seed)
    cleaned, true, start, covariance = [], {}, {}, {}
    for name, view in {"front": [-1, 0, 0], "left": [0, -1, 0], "rear": [1, 0, 0], "right": [0, 1, 0]}.items():
        points, normals = overlap_scenes.egg(60_000, rng)
        seen = (points / overlap_scenes.HALF_AXES_MM) @ view > (0.3 if view[0] else 0.2)
        points, normals = points[seen], normals[seen]
        points = overlap_scenes.drifted(points, rng) + normals * rng.normal(0, 0.1, (len(points), 1))
        middle = points.mean(axis=0)
        factor = 10 if name in worse else 1
        about_middle = np.diag([(factor * sd_rad) ** 2] * 3 + [(factor * sd_mm) ** 2] * 3)
        covariance[name] = network_model.at_origin(about_middle, middle)
        true[name] = overlap_scenes.random_pose(rng)
        to_middle = rigid.pose(None, middle)
        motion = to_middle @ overlap_scenes.small_motion(about_middle, rng) @ rigid.invert(to_middle)
        start[name] = motion @ true[name]
        cleaned.append(overlap_scenes.write_segment(folder / name, name, points, normals, true[name]))
    return cleaned, overlap_scenes.network(start, covariance), true, start


def error(T, T_true, middle_mm):
    """Distance in mm at the middle, and angle in degrees, between two poses."""
    motion = np.asarray(T) @ rigid.invert(T_true)
    return np.linalg.norm(rigid.transform(motion, middle_mm[None])[0] - middle_mm), rigid.angle_deg(motion)


def test_a_badly_tied_segment_is_drawn_into_place(tmp_path):
    # targets of "left" good for 0.5 mm a coordinate, the others for 0.05 mm: overlaps bring it near the others' level
    cleaned, network, true, start = egg_part(tmp_path, 7, 0.05, 5e-5, worse=("left",))
    record = run(cleaned, network, tmp_path)
    assert record["status"] == "ok", record["reasons"]
    poses = record["result"]["poses"]
    assert set(poses) == set(true)
    assert poses["left"]["kept"] == "refined" and poses["left"]["reason"] is None
    middle = np.array([0.0, -600.0, 0.0])
    before, _ = error(start["left"], true["left"], middle)
    after, after_deg = error(poses["left"]["T_control_segment"], true["left"], middle)
    assert before > 0.5
    assert after < 0.25 * before
    assert after < 0.3 and after_deg < 0.01  # what the demo's exteriors are held to


def test_discrepancies_are_signed_outwards_of_the_first(tmp_path):
    rng = np.random.default_rng(5)
    cleaned, start, covariance = [], {}, {}
    for name, grow in (("a", 0.0), ("b", 0.4)):  # b's surface lies 0.4 mm outside a's all over: no pose can mend it
        points, normals = overlap_scenes.egg(100_000, rng, dents=False)
        start[name], covariance[name] = overlap_scenes.random_pose(rng), np.diag([1e-10] * 3 + [1e-4] * 3)
        cleaned.append(
            overlap_scenes.write_segment(tmp_path / name, name, points + grow * normals, normals, start[name])
        )
    (pair,) = run(cleaned, overlap_scenes.network(start, covariance), tmp_path)["result"]["discrepancies"]
    assert pair["segments"] == ["a", "b"]
    assert pair["before"]["median_mm"] == pytest.approx(0.4, abs=4 * pair["before"]["median_se_mm"])
    assert pair["before"]["median_se_mm"] < 0.01
    assert pair["share"] > 0.95


def test_a_single_segment_stays_and_says_so(tmp_path):
    cleaned, network, true, start = egg_part(tmp_path, 3, 0.05, 5e-5)
    network.result["poses"] = {"left": network.result["poses"]["left"]}
    pose = run([cleaned[1]], network, tmp_path)["result"]["poses"]["left"]
    assert (pose["kept"], pose["reason"]) == ("targets", "single segment")
    np.testing.assert_array_equal(pose["T_control_segment"], start["left"])
    network.result |= {"mode": "none", "poses": None}
    result = run([cleaned[1]], network, tmp_path)["result"]
    assert (result["poses"]["left"]["kept"], result["frame_of"]) == ("frame", "left")
    np.testing.assert_array_equal(result["poses"]["left"]["T_control_segment"], np.eye(4))


def test_same_bytes_for_any_order_of_segments(tmp_path):
    cleaned, network, _, _ = egg_part(tmp_path, 4, 0.05, 5e-5)
    assert run(cleaned, network, tmp_path) == run(cleaned[::-1], network, tmp_path)


def test_a_smooth_egg_without_targets_is_refused(tmp_path):
    rng = np.random.default_rng(6)
    cleaned = []
    for name, view in (("a", [1, 0, 0]), ("b", [-1, 0, 0])):
        points, normals = overlap_scenes.egg(60_000, rng, dents=False)
        seen = (points / overlap_scenes.HALF_AXES_MM) @ view > -0.3
        points, normals = points[seen], normals[seen]
        cleaned.append(
            overlap_scenes.write_segment(tmp_path / name, name, points, normals, overlap_scenes.random_pose(rng))
        )
    network = overlap_scenes.network({}, {})
    network.result["poses"] = None
    record = run(cleaned, network, tmp_path)
    assert record["status"] == "rejected"
    sentence = record["reasons"][0]["sentence"]
    assert "segments a and b share no targets" in sentence and "put targets" in sentence
    with pytest.raises(Rejected):
        refine.refine({"clean": cleaned, "network": network}, {}, SETTINGS, tmp_path, 1)
