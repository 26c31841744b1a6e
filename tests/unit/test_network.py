"""The stage network on written lists: what it returns and what it refuses, in the words a user would read."""

import json
from pathlib import Path

import jsonschema
import networks
import numpy as np
import pytest
import yaml
from nightbay import network, network_model, network_picture, rigid
from nightbay.errors import Rejected

ROOT = Path(__file__).resolve().parents[2]
CONFIG = yaml.safe_load((ROOT / "config/config.yaml").read_text())
SETTINGS = {"scan": CONFIG["scan"], "network": CONFIG["network"]}
SCHEMA = json.loads((ROOT / "workflow/schemas/network.schema.json").read_text())
NOISE = {"noise_mm": 0.05, "drift_mm_per_m": 0.03}
ENDS = ([2250, 0, 0], [-2250, 0, 0], [0, 900, 0], [0, -900, 0])


@pytest.fixture(autouse=True)
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)  # paths are relative to the day's folder
    return tmp_path


def write(folder, one):
    """Write a list as a scanner would and say so as a job sheet does."""
    columns = ["id"] if one.id is not None else []
    columns += ["x", "y", "z"] + (["nx", "ny", "nz"] if one.normal is not None else [])
    path = folder / one.file
    with open(path, "w", encoding="utf-8") as file:
        for row in range(len(one)):
            numbers = list(one.xyz_mm[row]) + (list(one.normal[row]) if one.normal is not None else [])
            file.write(
                ",".join(([one.id[row]] if one.id is not None else []) + [f"{value:.5f}" for value in numbers]) + "\n"
            )
    return {"file": one.file, "units": "mm", "columns": columns, "sha256": "", "bytes": 1, "unreadable": None}


def sheet(folder, survey, segments, **more):
    return {
        "control_survey": write(folder, survey) if survey else None,
        "segments": {one.name: {"targets": write(folder, one)} for one in segments},
        "placed": False,
        "scale_bars": [],
        "temperature_c": None,
        "body_material": None,
        "extent_mm": {},
    } | more


def run(sheet, **parameters):
    settings = {**SETTINGS, "network": SETTINGS["network"] | parameters}
    return network.network({}, sheet, settings, None, 1)


def day(seed, count=60, seen=24, **more):
    """Truth, survey and four segments with their poses."""
    rng = np.random.default_rng(seed)
    truth = networks.body(rng, count)
    survey, T_survey, _ = networks.record(truth, np.arange(count), rng, name="control survey", **NOISE, **more)
    segments, poses = [], {}
    for at, centre in enumerate(ENDS):
        numbers = networks.patch(truth, rng, seen, np.array(centre, float))
        one, T, _ = networks.record(truth, numbers, rng, name=f"s{at}", **NOISE, **more)
        segments.append(one)
        poses[one.name] = rigid.invert(T_survey) @ T
    return truth, survey, segments, poses


def off_mm(result, name, one, T):
    """How far the pose found puts the list's targets from where they are."""
    found = np.array(result["poses"][name]["T_control_segment"])
    return np.linalg.norm(rigid.transform(found, one.xyz_mm) - rigid.transform(T, one.xyz_mm), axis=1).max()


def test_poses_and_numbers_of_a_usual_day(tmp_path):
    _, survey, segments, poses = day(1, missing=0.1, spurious=0.1)
    result = run(sheet(tmp_path, survey, segments))
    result.pop("notes")
    jsonschema.validate(result, SCHEMA)
    assert result["mode"] == "control"
    for one in segments:
        # about 18 common targets of 0.06 mm each; 4 sd of a pose at its rim, sd = 0.06 * sqrt(2 / 18 * (1 + 3))
        assert off_mm(result, one.name, one, poses[one.name]) < 4 * 0.06 * np.sqrt(2 / 18 * 4)
    assert result["variance_factor"]["passed"]
    assert 0.5 < result["checks"]["rms_mm"] / result["checks"]["expected_rms_mm"] < 1.5


def test_same_numbers_for_any_order_of_segments(tmp_path):
    _, survey, segments, _ = day(2)
    one = run(sheet(tmp_path, survey, segments))
    other = run(sheet(tmp_path, survey, segments[::-1]))
    assert json.dumps(one, sort_keys=True) == json.dumps(other, sort_keys=True)


def listed_again(survey, rows, offset_mm, ids=None):
    """The survey with some rows recorded again beside."""
    again = survey.rows(rows)
    return type(survey)(
        survey.name,
        survey.file,
        np.vstack([survey.xyz_mm, again.xyz_mm + offset_mm]),
        np.concatenate([survey.covariance_mm2, again.covariance_mm2]),
        np.vstack([survey.normal, again.normal]),
        ids,
    )


def test_blunders_doubles_and_bars_of_one_day(tmp_path):
    _, survey, segments, _ = day(21)
    ids = [f"t{row}" for row in range(len(survey))]
    length = np.linalg.norm(survey.xyz_mm[3] - survey.xyz_mm[40])
    survey = listed_again(survey, np.array([10, 20]), np.array([1.5, 1.0, 0.0]), [*ids, "again1", "again2"])
    knocked = segments[2].xyz_mm.copy()
    knocked[4] += [0.0, 3.0, 0.0]
    segments[2] = type(survey)("s2", "s2.csv", knocked, segments[2].covariance_mm2, segments[2].normal)
    bars = [
        {"from": "t3", "to": "t40", "length_mm": length, "sd_mm": 0.02},
        {"from": "again1", "to": "t40", "length_mm": length * 2, "sd_mm": 0.02},
    ]
    result = run(sheet(tmp_path, survey, segments, scale_bars=bars, temperature_c=35.0, body_material="steel"))
    notes = result.pop("notes")
    jsonschema.validate(result, SCHEMA)
    assert [(one["list"], one["row"]) for one in result["blunders"]] == [("s2", 5)]
    assert result["blunders"][0]["size_mm"] == pytest.approx(3.0, abs=4 * np.sqrt(3) * result["blunders"][0]["sd_mm"])
    assert sorted(sorted(one["ids"]) for one in result["doubles"]) == [["again1", "t10"], ["again2", "t20"]]
    assert [bar["passed"] for bar in result["scale_bars"]] == [True, False]
    assert any("Scale bar again1 to t40" in note for note in notes)
    assert result["scale"]["factor"] == 1.0 and result["scale"]["applied"] == []
    assert result["scale"]["temperature"]["factor"] == pytest.approx(1 - 11.5e-6 * 15, rel=1e-7)
    assert network_picture.draw(result) is not None


def test_scale_and_temperature_are_applied_on_request(tmp_path):
    _, survey, segments, _ = day(22)
    survey = listed_again(survey, np.array([], int), np.zeros(3), [f"t{row}" for row in range(len(survey))])
    length = np.linalg.norm(survey.xyz_mm[3] - survey.xyz_mm[40]) * 1.001
    bars = [{"from": "t3", "to": "t40", "length_mm": length, "sd_mm": 0.02}]
    one = sheet(tmp_path, survey, segments, scale_bars=bars, temperature_c=35.0, body_material="steel")
    result = run(one, scale_from_bars=True, to_20_c=True)
    assert result["scale"]["applied"] == ["scale bars", "temperature"]
    assert result["scale"]["factor"] == pytest.approx(1.001 * (1 - 11.5e-6 * 15), abs=1e-4)
    with pytest.raises(Rejected, match="to_20_c is set, but .* lacks temperature_c or body_material"):
        run(one | {"temperature_c": None}, to_20_c=True)
    with pytest.raises(Rejected, match="scale_from_bars is set, but the job sheet has no scale_bars"):
        run(one | {"scale_bars": []}, scale_from_bars=True)
    with pytest.raises(Rejected, match="has 0 targets with the id t99, which a scale bar names"):
        run(one | {"scale_bars": [bars[0] | {"to": "t99"}]})
    bare = sheet(tmp_path, day(22)[1], segments, scale_bars=bars)
    with pytest.raises(Rejected, match="scale bar t3 to t40 .* no control survey with ids"):
        run(bare)


def test_a_moved_body_is_told_in_a_sentence(tmp_path):
    rng = np.random.default_rng(23)
    truth = networks.body(rng, 60)
    survey, _, _ = networks.record(truth, np.arange(60), rng, name="control survey", T=np.eye(4), **NOISE)
    lower = truth.xyz_mm.copy()
    ground = truth.xyz_mm[:, 2] < -450
    lower[~ground, 2] -= 6.1
    segments = [
        networks.record(networks.Truth(xyz, truth.normal), np.arange(60), rng, name=name, **NOISE)[0]
        for name, xyz in (("left", truth.xyz_mm), ("roof", lower))
    ]
    result = run(sheet(tmp_path, survey, segments))
    (move,) = result["moves"]
    assert move["segment"] == "roof" and move["body"]["vector_mm"][2] == pytest.approx(-6.1, abs=0.4)
    assert len(move["rows"]) == ground.sum()
    assert any("While segment roof was scanned, the body stood 6." in note for note in result["notes"])


def test_labels_and_claims_that_geometry_contradicts_are_named(tmp_path):
    _, survey, segments, _ = day(24)
    names = [f"t{row}" for row in range(len(survey))]
    survey = listed_again(survey, np.array([], int), np.zeros(3), names)
    first = run(sheet(tmp_path, survey, segments))
    number = {(one["list"], one["row"]): one["target"] for one in first["observations"]}
    known = {target: names[row - 1] for (name, row), target in number.items() if name == "control survey"}
    labels = [known.get(number.get(("s0", row + 1)), f"x{row}") for row in range(len(segments[0]))]
    at = [row for row in range(len(labels)) if labels[row].startswith("t")][:2]
    labels[at[0]], labels[at[1]] = labels[at[1]], labels[at[0]]
    one = segments[0]
    swapped = type(one)(one.name, one.file, one.xyz_mm, one.covariance_mm2, one.normal, labels)
    notes = run(sheet(tmp_path, survey, [swapped, *segments[1:]]))["notes"]
    assert any(note.startswith("s0.csv: 2 of ") and labels[at[0]] in note for note in notes)
    notes = run(sheet(tmp_path, survey, segments) | {"placed": True})["notes"]
    assert any("Segment s0 is declared as placed, but its targets lie up to" in note for note in notes)


def test_normals_that_contradict_are_left_out_and_named(tmp_path):
    _, survey, segments, poses = day(25)
    one = segments[1]
    segments[1] = type(one)(one.name, one.file, one.xyz_mm, one.covariance_mm2, -one.normal)
    result = run(sheet(tmp_path, survey, segments))
    assert any(note.startswith("s1.csv: the normals contradict") for note in result["notes"])
    assert off_mm(result, "s1", segments[1], poses["s1"]) < 0.3


def test_a_free_network_holds_the_first_segment_and_says_that_it_is_weaker(tmp_path):
    rng = np.random.default_rng(3)
    truth = networks.body(rng, 60)
    segments, poses = [], []
    for at, x in enumerate((1500, 0, -1500)):
        numbers = networks.patch(truth, rng, 36, np.array([x, 0.0, 500.0]))
        one, T, _ = networks.record(truth, numbers, rng, name=f"s{at}", **NOISE)
        segments.append(one)
        poses.append(T)
    result = run(sheet(tmp_path, None, segments))
    assert result["mode"] == "free" and result["frame_of"] == "s0"
    assert any("no control survey" in note.lower() for note in result["notes"])
    assert np.array_equal(result["poses"]["s0"]["T_control_segment"], np.eye(4))
    assert off_mm(result, "s2", segments[2], rigid.invert(poses[0]) @ poses[2]) < 0.5


def test_without_lists_there_are_no_poses(tmp_path):
    nothing = sheet(tmp_path, None, []) | {"segments": {"left": {"targets": None}, "right": {"targets": None}}}
    result = run(nothing)
    result.pop("notes")
    jsonschema.validate(result, SCHEMA)
    assert result["mode"] == "none" and result["poses"] is None and result["without_targets"] == ["left", "right"]


def test_refuses_fewer_than_four_common_targets(tmp_path):
    truth, survey, segments, _ = day(4)
    rng = np.random.default_rng(40)
    elsewhere = networks.body(rng, 20)
    lost, _, _ = networks.record(elsewhere, np.arange(20), rng, name="lost", **NOISE)
    with pytest.raises(Rejected, match="Segment lost .lost.csv. shares no more than three targets .* scan it again"):
        run(sheet(tmp_path, survey, [*segments, lost]))


def test_refuses_targets_in_one_line(tmp_path):
    rng = np.random.default_rng(5)
    along = np.column_stack([np.cumsum(rng.uniform(80, 250, 12)), np.zeros(12), np.zeros(12)])
    truth = networks.Truth(along, np.tile([0.0, 0, 1], (12, 1)))
    survey, _, _ = networks.record(truth, np.arange(12), rng, name="control survey", **NOISE)
    segment, _, _ = networks.record(truth, np.arange(12), rng, name="sill", **NOISE)
    with pytest.raises(Rejected, match="Segment sill .* nearly in one line, .* add targets off that line"):
        run(sheet(tmp_path, survey, [segment]))


def test_refuses_a_regular_layout_as_ambiguous(tmp_path):
    rng = np.random.default_rng(6)
    x, y = np.meshgrid(np.arange(8) * 150.0, np.arange(6) * 150.0)
    grid = networks.Truth(np.column_stack([x.ravel(), y.ravel(), np.zeros(48)]), np.tile([0.0, 0, 1], (48, 1)))
    survey, _, _ = networks.record(grid, np.arange(48), rng, name="control survey", **NOISE)
    segment, _, _ = networks.record(grid, networks.patch(grid, rng, 16), rng, name="roof", **NOISE)
    with pytest.raises(Rejected, match="Segment roof .* in more than one way .* irregular places"):
        run(sheet(tmp_path, survey, [segment]))


def test_refuses_segments_that_share_nothing(tmp_path):
    rng = np.random.default_rng(7)
    truth = networks.body(rng, 60)
    ends = [networks.patch(truth, rng, 15, np.array([x, 0.0, 0.0])) for x in (2250, -2250)]
    front, rear = (
        networks.record(truth, rows, rng, name=name, **NOISE)[0]
        for rows, name in zip(ends, ("front", "rear"), strict=True)
    )
    with pytest.raises(Rejected, match="Segment rear .* shares no more than three targets with segment front"):
        run(sheet(tmp_path, None, [front, rear]))


def test_refuses_a_variance_factor_out_of_bounds(tmp_path):
    _, survey, segments, _ = day(8)
    tight = {"target_noise_mm": 0.03, "target_drift_mm_per_m": 0.0}
    settings = {"scan": SETTINGS["scan"] | tight, "network": SETTINGS["network"] | {"variance_factor_max": 2.0}}
    with pytest.raises(Rejected, match="variance factor .* at most 2 allowed.*scan.target_noise_mm"):
        network.network({}, sheet(tmp_path, survey, segments), settings, None, 1)


def test_refuses_a_segment_of_which_the_tests_leave_too_little(tmp_path):
    rng = np.random.default_rng(26)
    _, survey, segments, _ = day(26, count=30, seen=12)
    lists = [survey, *segments]
    # every target of the last segment knocked by millimetres: matching would not let it in, so it is tied by hand
    station = np.concatenate([np.full(len(one), at) for at, one in enumerate(lists)])
    xyz = np.vstack([one.xyz_mm for one in lists])
    result = run(sheet(tmp_path, survey, segments))
    number = {(one["list"], one["row"]): one["target"] for one in result["observations"]}
    target = np.array([number.get((one.name, row + 1), -1) for one in lists for row in range(len(one))])
    use = target >= 0
    xyz[station == 4] += rng.normal(0, 3, xyz[station == 4].shape)
    _, target = np.unique(target[use], return_inverse=True)
    covariance = np.concatenate([one.covariance_mm2 for one in lists])[use]
    observations = network_model.Observations(xyz[use], covariance, station[use], target, np.ones(use.sum(), bool))
    poses = [np.eye(4)] + [np.array(result["poses"][one.name]["T_control_segment"]) for one in segments]
    with pytest.raises(Rejected, match="Segment s3 .* common targets left after the tests for blunders; at least four"):
        found = network.snoop(observations, np.array(poses), SETTINGS["network"], 0.0, lists)
        network.refuse_thin(lists, observations, found.active)


def test_refuses_a_segment_that_fits_only_with_more_noise_than_declared(tmp_path):
    _, survey, segments, _ = day(8)
    tight = {"target_noise_mm": 0.008, "target_drift_mm_per_m": 0.0}
    settings = {"scan": SETTINGS["scan"] | tight, "network": SETTINGS["network"]}
    with pytest.raises(Rejected, match=r"only to 0\.\d\d mm .* declared noise of 0.008 mm .* calibrate"):
        network.network({}, sheet(tmp_path, survey, segments), settings, None, 1)


def test_names_the_unit_or_the_mirror_that_would_explain_a_misfit(tmp_path):
    _, survey, segments, _ = day(27)
    one = segments[0]
    for factor, cure in (
        (0.001, "multiplied by 1000 .* correct its units"),
        ([1, -1, 1], "as a mirror image .* export"),
    ):
        segments[0] = type(one)(one.name, one.file, one.xyz_mm * factor, one.covariance_mm2)
        with pytest.raises(Rejected, match=f"Segment s0 .s0.csv. fits the other lists only .*{cure}"):
            run(sheet(tmp_path, survey, segments))


def flat_day(rng, seen):
    """A survey of a flat panel and a segment that saw some of it, both without normals."""
    xyz = np.column_stack([rng.uniform(0, 2500, 30), rng.uniform(0, 1500, 30), np.zeros(30)])
    panel = networks.Truth(xyz, np.tile([0.0, 0, 1], (30, 1)))
    bare = NOISE | {"normals": False}
    survey, _, _ = networks.record(panel, np.arange(30), rng, name="control survey", **bare)
    return survey, networks.record(panel, networks.patch(panel, rng, seen), rng, name="side", **bare)[0]


def test_refuses_a_few_targets_in_one_plane_and_notes_many(tmp_path):
    survey, side = flat_day(np.random.default_rng(28), 6)
    with pytest.raises(Rejected, match="Segment side .side.csv.: its 6 common targets lie in one plane.*normals"):
        run(sheet(tmp_path, survey, [side]))
    survey, side = flat_day(np.random.default_rng(28), 14)
    notes = run(sheet(tmp_path, survey, [side]))["notes"]
    assert any("segment side lie in one plane" in note for note in notes)


def test_refuses_what_may_be_chance(tmp_path):
    _, survey, segments, _ = day(29, seen=5)
    with pytest.raises(
        Rejected, match="Segment s0 .* shares only 5 targets .* by chance: scan it again with at least two"
    ):
        run(sheet(tmp_path, survey, segments[:1]), chance_max=1e-40)


def test_refuses_a_survey_of_three_targets(tmp_path):
    _, survey, segments, _ = day(30)
    with pytest.raises(Rejected, match="control survey.csv lists 3 targets; at least four are needed"):
        run(sheet(tmp_path, survey.rows(np.arange(3)), segments))


def test_refuses_a_survey_with_too_many_doubles(tmp_path):
    rng = np.random.default_rng(9)
    _, survey, segments, _ = day(9)
    again = survey.rows(rng.choice(len(survey), 12, replace=False))
    moved = again.xyz_mm + np.array([1.5, 1.0, 0.5])
    doubled = type(survey)(
        survey.name,
        survey.file,
        np.vstack([survey.xyz_mm, moved]),
        np.concatenate([survey.covariance_mm2, again.covariance_mm2]),
        np.vstack([survey.normal, again.normal]),
    )
    with pytest.raises(Rejected, match="12 of 72 targets are recorded twice .* unfit: survey again, .* mm"):
        run(sheet(tmp_path, doubled, segments))
