"""The stage refine on small simulated parts: poses against the truth, what is kept, what is refused."""

import numpy as np
import pytest
import yaml
from scipy.spatial.transform import Rotation
from scipy.stats import chi2

import overlap_scenes
from nightbay.core import rigid
from nightbay.pipeline import stage
from nightbay.refine import refine

DEFAULTS = yaml.safe_load(overlap_scenes.CONFIG.read_text(encoding="utf-8"))["refine"]
SETTINGS = {
    "scan": {
        "noise_mm": 0.1,
        "standoff_mm": 600.0,
        "smallest_mm": 6.0,
        "target_noise_mm": 0.05,
        "target_drift_mm_per_m": overlap_scenes.DRIFT_MM_PER_M,
    },
    "refine": DEFAULTS
    | {
        "correspondences": 4000,
        "patch_mm": 400.0,
        "drift_length_mm": 1500.0,
        "untargeted_drift_mm_per_m": 0.3,
        "disc_radius_mm": 4.0,
        "registration_sd_most_mm": 4.0,
        "sheet_distance_mm": 4.0,
        "folds": 5,
        "confidence": 0.975,
        "coarse_mm": 60.0,
        "overlap_least": 0.15,
        "ambiguity": 2.0,
        "contradiction_most": 0.03,
    },
}
VIEWS = {"front": [-1, 0, 0], "left": [0, -1, 0], "rear": [1, 0, 0], "right": [0, 1, 0]}


def run(cleaned, network, tmp_path, sheet=None):
    """The stage as the pipeline runs it, schema included."""
    return stage.execute(
        refine.refine,
        stage="refine",
        wildcards={"job": "j", "part": "exterior"},
        upstream={"clean": cleaned, "network": network},
        sheet={"unplaced": "refuse", "point_pairs": []} | (sheet or {}),
        settings=SETTINGS,
        folder=tmp_path / "refine",
        threads=1,
    )


def within(points, view):
    return (points / overlap_scenes.HALF_AXES_MM) @ view > (0.3 if view[0] else 0.2)


def egg_part(folder, seed, few=(), count=60_000):
    """Four segments of the egg with target lists, of seven neighbouring targets only for the segments ``few``.

    Returns the cleaned segments, the network, and by name the true poses and the surfaces: true points, where drift
    puts them, normals, (n, 3) each in the control frame.
    """
    rng = np.random.default_rng(seed)
    cleaned, true, seen, surfaces = [], {}, {}, {}
    for name, view in VIEWS.items():
        points, normals = overlap_scenes.egg(count, rng)
        points, normals = points[within(points, view)], normals[within(points, view)]
        drifted = overlap_scenes.drifted(points, rng)
        surfaces[name] = points, drifted, normals
        points = drifted + normals * rng.normal(0, 0.1, (len(points), 1))
        true[name] = overlap_scenes.random_pose(rng)
        cleaned.append(overlap_scenes.write_segment(folder / name, name, points, normals, true[name]))
        places = overlap_scenes.sticker_places()
        rows = np.flatnonzero(within(places, view))
        if name in few:
            nearest = np.argsort(np.linalg.norm(places[rows] - places[rows[0]], axis=1))
            rows = np.sort(rows[nearest[:7]])
        seen[name] = rows
    return cleaned, overlap_scenes.targets(VIEWS, true, seen, rng, SETTINGS["scan"]), true, surfaces


def error(T, T_true, middle_mm):
    """Distance in mm at the middle, and angle in degrees, between two poses."""
    motion = np.asarray(T) @ rigid.invert(T_true)
    return np.linalg.norm(rigid.transform(motion, middle_mm[None])[0] - middle_mm), rigid.angle_deg(motion)


def mahalanobis2(pose, T_true):
    """Squared Mahalanobis distance of a stated pose from the true one, by its stated covariance: chi squared of 6."""
    motion = np.asarray(pose["T_control_segment"]) @ rigid.invert(T_true)
    error_about_origin = np.concatenate([Rotation.from_matrix(motion[:3, :3]).as_rotvec(), motion[:3, 3]])
    return error_about_origin @ np.linalg.solve(np.array(pose["covariance"]), error_about_origin)


COVERED = chi2.ppf(0.999, 6)  # beyond it a pose lies farther off than its stated covariance explains


def test_a_badly_tied_segment_is_drawn_into_place(tmp_path):
    # seven neighbouring targets hold a segment of four metres: its far end is off until the overlaps hold it
    cleaned, network, true, _ = egg_part(tmp_path, 7, few=("left",))
    record = run(cleaned, network, tmp_path)
    assert record["status"] == "ok", record["reasons"]
    poses = record["result"]["poses"]
    assert set(poses) == set(true)
    assert poses["left"]["pose_from"] == "refined" and poses["left"]["reason"] is None
    before = error(network.result["poses"]["left"]["T_control_segment"], true["left"], np.array([0.0, -600.0, 0.0]))
    after = error(poses["left"]["T_control_segment"], true["left"], np.array([0.0, -600.0, 0.0]))
    assert after[1] < 0.3 * before[1]
    assert mahalanobis2(poses["left"], true["left"]) < COVERED
    withheld = poses["left"]["withheld_overlaps"]
    assert withheld["gain_mm2"] > 2 * withheld["gain_se_mm2"] > 0
    for name in ("front", "rear", "right"):  # the well tied ones are not bent
        assert mahalanobis2(poses[name], true[name]) < COVERED


def test_discrepancies_are_signed_outwards_of_the_first(tmp_path):
    rng = np.random.default_rng(5)
    cleaned, true = [], {"a": overlap_scenes.random_pose(rng), "b": overlap_scenes.random_pose(rng)}
    for name, grow in (("a", 0.0), ("b", 0.4)):  # b's surface lies 0.4 mm outside a's all over: no pose can mend it
        points, normals = overlap_scenes.egg(60_000, rng, dents=False)
        cleaned.append(
            overlap_scenes.write_segment(tmp_path / name, name, points + grow * normals, normals, true[name])
        )
    everything = dict.fromkeys(true, np.arange(len(overlap_scenes.sticker_places())))
    network = overlap_scenes.targets(true, true, everything, rng, SETTINGS["scan"])
    result = run(cleaned, network, tmp_path)["result"]
    (pair,) = result["discrepancies"]
    assert pair["segments"] == ["a", "b"]
    assert pair["overlap_share"] > 0.95
    # poses of 160 targets are good for 0.05 mm * sqrt(2 / 160) a coordinate, little beside the error of the median
    assert pair["before"]["median_mm"] == pytest.approx(0.4, abs=4 * pair["before"]["median_se_mm"])
    assert pair["before"]["median_se_mm"] < 0.03


def test_a_single_segment_stays_and_says_so(tmp_path):
    cleaned, network, *_ = egg_part(tmp_path, 3)
    pose = run([cleaned[1]], network, tmp_path)["result"]["poses"]["left"]
    assert (pose["pose_from"], pose["reason"]) == ("targets", "single segment")
    assert pose["T_control_segment"] == network.result["poses"]["left"]["T_control_segment"]
    result = run([cleaned[1]], overlap_scenes.no_targets(), tmp_path)["result"]
    assert (result["poses"]["left"]["pose_from"], result["frame_of"]) == ("frame", "left")
    assert result["poses"]["left"]["reason"] == "single segment"
    np.testing.assert_array_equal(result["poses"]["left"]["T_control_segment"], np.eye(4))


def test_same_numbers_for_any_order_of_segments(tmp_path):
    cleaned, network, *_ = egg_part(tmp_path, 4)
    assert run(cleaned, network, tmp_path) == run(cleaned[::-1], network, tmp_path)


def test_segments_that_nowhere_overlap_keep_their_target_poses(tmp_path):
    cleaned, network, *_ = egg_part(tmp_path, 8)
    poses = run([cleaned[0], cleaned[2]], network, tmp_path)["result"]["poses"]
    for name in ("front", "rear"):
        assert (poses[name]["pose_from"], poses[name]["reason"]) == ("targets", "no overlap with another segment")


def test_estimated_normals_on_the_wrong_side_are_turned_before_overlaps_are_looked_for(tmp_path):
    cleaned, network, true, surfaces = egg_part(tmp_path, 9, count=30_000)
    _, drifted, normals = surfaces["rear"]
    turned = overlap_scenes.write_segment(tmp_path / "turned", "rear", drifted, -normals, true["rear"])
    turned.result["normals_certainty"] = 0.02
    others = [segment for segment in cleaned if segment.segment != "rear"]
    result = run([*others, turned], network, tmp_path)["result"]
    assert result["normal_orientation"]["rear"]["turned"] > 0.95 * len(normals)
    assert {"rear"} < {name for pair in result["discrepancies"] for name in pair["segments"]}
    assert result["poses"]["rear"]["reason"] != "no overlap with another segment"


def test_without_a_survey_the_first_segment_holds_the_frame(tmp_path):
    cleaned, _, true, _ = egg_part(tmp_path, 12)
    places = overlap_scenes.sticker_places()
    seen = {name: np.flatnonzero(within(places, view)) for name, view in VIEWS.items()}
    rng = np.random.default_rng(13)
    network = overlap_scenes.targets(VIEWS, true, seen, rng, SETTINGS["scan"], surveyed=False)
    record = run(cleaned, network, tmp_path)
    assert record["status"] == "ok", record["reasons"]
    result = record["result"]
    assert result["frame_of"] == "front" and result["poses"]["front"]["pose_from"] == "frame"
    np.testing.assert_array_equal(result["poses"]["front"]["covariance"], np.zeros((6, 6)))
    T_front_rear = rigid.invert(true["front"]) @ true["rear"]
    assert mahalanobis2(result["poses"]["rear"], T_front_rear) < COVERED


def test_a_panel_that_moved_is_left_to_the_targets(tmp_path):
    # all surface of "right" stands 1 mm off along X against its own targets: no pose can satisfy both
    cleaned, network, true, _ = egg_part(tmp_path, 9)
    shift = rigid.pose(None, (1.0, 0.0, 0.0))
    rng = np.random.default_rng(10)
    points, normals = overlap_scenes.egg(60_000, rng)
    points, normals = points[within(points, VIEWS["right"])], normals[within(points, VIEWS["right"])]
    cleaned[3] = overlap_scenes.write_segment(
        tmp_path / "moved", "right", rigid.transform(shift, points), normals, true["right"]
    )
    record = run(cleaned, network, tmp_path)
    pose = record["result"]["poses"]["right"]
    assert pose["pose_from"] == "targets"
    assert any(note.startswith("Segment right keeps its target pose") for note in record["notes"])
    assert "moved between the runs" in pose["reason"]
    assert pose["T_control_segment"] == network.result["poses"]["right"]["T_control_segment"]


def bay_part(folder, seed, spans, count=60_000, **kinds):
    """Segments of the bay by their spans along X, {name: (low, high)} mm, and their true poses.

    ``count`` of the whole bay, 14 mm apart. The search compares cells of two spacings: more points, more cells.
    """
    rng = np.random.default_rng(seed)
    cleaned, true = [], {}
    for name, (low, high) in spans.items():
        points, normals = overlap_scenes.bay(count, rng, **kinds)
        seen = (points[:, 0] >= low) & (points[:, 0] <= high)
        points, normals = points[seen], normals[seen]
        points = overlap_scenes.drifted(points, rng, 0.1) + normals * rng.normal(0, 0.1, (len(points), 1))
        true[name] = overlap_scenes.random_pose(rng)
        cleaned.append(overlap_scenes.write_segment(folder / name, name, points, normals, true[name]))
    return cleaned, true


def test_a_bay_without_targets_is_put_together(tmp_path):
    cleaned, true = bay_part(tmp_path, 21, {"aft": (650, 2001), "fore": (-1, 1350)})
    record = run(cleaned, overlap_scenes.no_targets(), tmp_path)
    assert record["status"] == "ok", record["reasons"]
    result = record["result"]
    assert result["frame_of"] == "aft"
    np.testing.assert_array_equal(result["poses"]["aft"]["T_control_segment"], np.eye(4))
    assert result["poses"]["fore"]["pose_from"] == "surfaces"
    T_aft_fore = rigid.invert(true["aft"]) @ true["fore"]
    overlap = rigid.transform(rigid.invert(true["aft"]), overlap_scenes.BAY_MM[None] / 2)[0]
    off_mm, _ = error(result["poses"]["fore"]["T_control_segment"], T_aft_fore, overlap)
    # drift of 0.1 mm/m at 0.7 m from the middles of both: some 0.1 mm, three times that at the most
    assert off_mm < 0.3
    assert mahalanobis2(result["poses"]["fore"], T_aft_fore) < COVERED
    assert run(cleaned[::-1], overlap_scenes.no_targets(), tmp_path) == record


def test_a_bay_of_even_ribs_is_refused(tmp_path):
    cleaned, _ = bay_part(tmp_path, 22, {"aft": (650, 2001), "fore": (-1, 1350)}, boxes=False)
    record = run(cleaned, overlap_scenes.no_targets(), tmp_path)
    assert record["status"] == "rejected"
    assert "fit each other in two ways" in record["reasons"][0]["sentence"]


def test_too_little_overlap_is_refused(tmp_path):
    cleaned, _ = bay_part(tmp_path, 23, {"aft": (1250, 2001), "fore": (-1, 850)})  # 400 mm apart
    record = run(cleaned, overlap_scenes.no_targets(), tmp_path)
    assert record["status"] == "rejected"
    assert "put targets" in record["reasons"][0]["sentence"]


def test_a_segment_without_targets_joins_those_that_have_them(tmp_path):
    rng = np.random.default_rng(24)
    cleaned, true = bay_part(tmp_path, 24, {"aft": (650, 2001), "fore": (-1, 1350), "middle": (300, 1700)})
    seen = dict.fromkeys(("aft", "fore"), np.arange(0, 160, 3))
    network = overlap_scenes.targets(seen, true, seen, rng, SETTINGS["scan"])
    record = run(cleaned, network, tmp_path)
    assert record["status"] == "ok", record["reasons"]
    pose = record["result"]["poses"]["middle"]
    assert (pose["pose_from"], pose["reason"]) == ("surfaces", "no targets: registered by its surfaces")
    assert mahalanobis2(pose, true["middle"]) < COVERED
