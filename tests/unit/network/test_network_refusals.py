"""What the stage network refuses, in the words that a user would read."""

from dataclasses import replace

import numpy as np
import pytest

import networks
from network_sheets import NOISE, changed, day, flat_day, run, sheet
from nightbay.core.errors import Rejected
from nightbay.network import model, network, refusals

NO_DRIFT = changed({"target_drift_mm_per_m": 0.0})


@pytest.fixture(autouse=True)
def in_the_day(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)  # paths are relative to the day's folder


def test_refuses_fewer_than_four_common_targets(tmp_path):
    truth, survey, segments, _ = day(4)
    rng = np.random.default_rng(40)
    elsewhere = networks.body(rng, 20)
    lost, _, _ = networks.record(elsewhere, np.arange(20), rng, name="lost", **NOISE)
    with pytest.raises(
        Rejected, match="Segment lost .lost.csv. shares no more than three of its 20 targets .* scan it again"
    ):
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
    with pytest.raises(Rejected, match="Segment roof .* in more than one pose .* irregular positions"):
        run(sheet(tmp_path, survey, [segment]))


def test_refuses_segments_that_share_nothing(tmp_path):
    rng = np.random.default_rng(7)
    truth = networks.body(rng, 60)
    ends = [networks.patch(truth, rng, 15, np.array([x, 0.0, 0.0])) for x in (2250, -2250)]
    front, rear = (
        networks.record(truth, rows, rng, name=name, **NOISE)[0]
        for rows, name in zip(ends, ("front", "rear"), strict=True)
    )
    with pytest.raises(
        Rejected, match="Segment rear .* shares no more than three of its 15 targets with segment front"
    ):
        run(sheet(tmp_path, None, [front, rear]))


def test_refuses_a_variance_factor_out_of_bounds(tmp_path):
    _, survey, segments, _ = day(8)
    tight = {"target_noise_mm": 0.03, "target_drift_mm_per_m": 0.0}
    with pytest.raises(Rejected, match="variance factor .* at most 2 allowed.*scan.target_noise_mm"):
        run(sheet(tmp_path, survey, segments), scan=tight, variance_factor_max=2.0)


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
    observations = model.Observations(xyz[use], covariance, station[use], target, np.ones(use.sum(), bool))
    poses = [np.eye(4)] + [np.array(result["poses"][one.name]["T_control_segment"]) for one in segments]
    with pytest.raises(Rejected, match="Segment s3 .* common targets left after the tests for blunders; at least four"):
        found = network.snoop(observations, np.array(poses), lists, NO_DRIFT)
        refusals.check_remaining(lists, observations, found.active)


def test_refuses_a_segment_that_fits_only_with_more_noise_than_declared(tmp_path):
    _, survey, segments, _ = day(8)
    tight = {"target_noise_mm": 0.008, "target_drift_mm_per_m": 0.0}
    with pytest.raises(Rejected, match=r"only to 0\.\d\d mm .* declared noise of 0.008 mm .* calibrate"):
        run(sheet(tmp_path, survey, segments), scan=tight)


def test_a_pose_left_open_is_a_refusal_that_names_the_segment():
    rng = np.random.default_rng(31)
    truth = networks.body(rng, 20)
    lists = [
        networks.record(truth, np.arange(20), rng, name=name, **NOISE)[0]
        for name in ("control survey", "left", "right")
    ]
    station, target = np.repeat(np.arange(3), 20), np.tile(np.arange(20), 3)
    xyz = np.vstack([one.xyz_mm for one in lists])
    covariance = np.concatenate([one.covariance_mm2 for one in lists])
    # left and right have ten targets in common, and the survey none: two lists that are tied only to each other
    active = np.concatenate([target[:20] < 10, target[20:40] >= 10, target[40:] >= 10])
    observations = model.Observations(xyz, covariance, station, target, active)
    with pytest.raises(Rejected, match="Segment left .left.csv. shares 0 targets with the lists that are connected"):
        network.snoop(observations, np.tile(np.eye(4), (3, 1, 1)), lists, NO_DRIFT)
    # the right one is left with four targets in one line
    xyz = xyz.copy()
    xyz[40:44] = np.arange(4)[:, None] * [300.0, 0, 0]
    active = np.concatenate([np.ones(40, bool), np.arange(20) < 4])
    observations = model.Observations(xyz, covariance, station, target, active)
    with pytest.raises(Rejected, match="Segment right .right.csv.: the 4 common targets .* nearly in one line"):
        raise refusals.undetermined(lists, observations, active)


def awkward(seed):
    """A small network of few targets on a body, in a plane, near a line or in a heap, some listed twice or knocked."""
    rng = np.random.default_rng([seed, 77])
    count = int(rng.integers(5, 16))
    kind = rng.choice(["body", "plane", "line", "heap"])
    xyz = rng.normal(0, 20, (count, 3)) if kind == "heap" else networks.body(rng, count).xyz_mm
    xyz = xyz * {"body": [1, 1, 1], "plane": [1, 1, 0], "line": [1, 0.01, 0.01], "heap": [1, 1, 1]}[kind]
    normal = rng.normal(size=(count, 3))
    truth = networks.Truth(xyz, normal / np.linalg.norm(normal, axis=1, keepdims=True))
    surveyed = bool(rng.random() < 0.6)
    lists = []
    for at, name in enumerate(
        ["control survey"] * surveyed + ["s1", "s2", "s3"][: rng.integers(1 + (not surveyed), 4)]
    ):
        whole = at == 0 and surveyed
        rows = np.arange(count) if whole else rng.choice(count, rng.integers(2 * count // 3, count + 1), replace=False)
        one, _, _ = networks.record(
            truth,
            rows,
            rng,
            name=name,
            noise_mm=0.05,
            spurious=0.1,
            normals=bool(seed % 2),
            T=np.eye(4) if whole else None,
        )
        knocked = one.xyz_mm + rng.normal(0, 3, one.xyz_mm.shape) * (rng.random((len(one), 1)) < 0.1)
        if rng.random() < 0.2:
            knocked[1] = knocked[0]
        lists.append(replace(one, xyz_mm=knocked))
    return lists, surveyed


def test_awkward_networks_are_solved_or_refused_and_nothing_else():
    ends = {"solved": 0, "refused": 0}
    settings = changed(false_matches_max=0.5, narrowest_mm=0.2)  # lets through what is usually stopped
    for seed in range(150):
        lists, surveyed = awkward(seed)
        try:
            found = network.adjust_lists(lists, surveyed, False, settings)
        except Rejected as refused:
            ends["refused"] += 1
            assert str(refused).endswith(".") and "nan" not in str(refused)
            continue
        ends["solved"] += 1
        assert np.isfinite(found.snooped.adjusted.T_control_list).all()
        assert np.isfinite(found.snooped.adjusted.pose_covariance).all()
    assert min(ends.values()) > 30


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
        Rejected,
        match="Segment s0 .* shares only 5 of its 5 targets .* could happen by chance: scan it again with at least two",
    ):
        run(sheet(tmp_path, survey, segments[:1]), false_matches_max=1e-40)


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
