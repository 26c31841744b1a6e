"""The smaller rooms of the network: blunders, doubles, drift, scale, check targets, and the model itself."""

import numpy as np
import pytest

import networks
from nightbay.core import rigid, target_noise
from nightbay.matching import pairing, target_list
from nightbay.network import (
    adjustment,
    blunders,
    check_targets,
    drift,
    duplicate_targets,
    model,
    scale_bars,
    scale_factor,
)
from nightbay.pipeline.settings import settings

TOLERANCE = pairing.Tolerance(0.05, 0.03)
SETTINGS = settings({"network": {"same_target_mm": 8.0, "closest_mm": 6.0, "path_drift_mm_per_m": 0.3}}).network


def network(seed, count=30, seen=16, segments=3, noise_mm=0.05):
    """Observations of a network whose targets are known, and its start poses."""
    rng = np.random.default_rng(seed)
    truth = networks.body(rng, count)
    lists, poses = [], []
    for at in range(segments + 1):
        numbers = np.arange(count) if at == 0 else networks.patch(truth, rng, seen)
        listed, T, order = networks.record(
            truth, numbers, rng, name="x", noise_mm=noise_mm, T=np.eye(4) if at == 0 else None
        )
        lists.append((listed.xyz_mm, listed.covariance_mm2, order))
        poses.append(T)
    return networks.observations(lists), np.array(poses)


def changed(observations, xyz=None, active=None):
    return model.Observations(
        observations.xyz_mm if xyz is None else xyz,
        observations.covariance_mm2,
        observations.list_number,
        observations.target,
        observations.active if active is None else active,
    )


class TestModel:
    def test_redundancy_numbers_add_up_to_the_redundancy(self):
        observations, start = network(1)
        adjusted = model.adjust(observations, start)
        n = len(observations.xyz_mm)
        assert adjusted.solution.degrees_of_freedom == 3 * n - 3 * 30 - 6 * 3
        assert adjusted.redundancy.sum() == pytest.approx(adjusted.solution.degrees_of_freedom, abs=1e-6)

    def test_the_answer_does_not_depend_on_the_start(self):
        observations, start = network(2)
        away = start.copy()
        away[1:] = [model.moved(T, np.array([0.02, -0.03, 0.01, 20.0, -30, 10])) for T in start[1:]]
        near, far = (model.adjust(observations, poses) for poses in (start, away))
        assert near.xyz_mm == pytest.approx(far.xyz_mm, abs=1e-6)
        assert near.T_control_list == pytest.approx(far.T_control_list, abs=1e-6)

    def test_a_list_of_another_scale_is_found_out(self):
        observations, start = network(3)
        xyz = observations.xyz_mm.copy()
        xyz[observations.list_number == 2] *= 1 - 200e-6
        adjusted = model.adjust(changed(observations, xyz), start, free_scale=True)
        assert adjusted.scale[2] == pytest.approx(1 + 200e-6, abs=4 * adjusted.scale_sd[2])
        assert adjusted.scale_sd[2] < 50e-6

    def test_a_pose_that_nothing_determines_is_refused(self):
        observations, start = network(4)
        active = observations.list_number != 2
        with pytest.raises(adjustment.Undetermined):
            model.adjust(changed(observations, active=active), start)

    def test_an_inactive_observation_has_no_say(self):
        observations, start = network(5)
        active = np.ones(len(observations.xyz_mm), bool)
        active[40] = False
        xyz = observations.xyz_mm.copy()
        xyz[40] += 5.0
        one = model.adjust(changed(observations, active=active), start)
        other = model.adjust(changed(observations, xyz, active), start)
        assert one.xyz_mm == pytest.approx(other.xyz_mm, abs=1e-9)
        assert other.residual_mm[40] - one.residual_mm[40] == pytest.approx(np.full(3, -5.0), abs=1e-9)

    def test_the_chi_square_test_passes_right_weights_and_fails_wrong_ones(self):
        observations, start = network(6)
        right = adjustment.chi_square_test(model.adjust(observations, start).solution)
        assert right.passed and right.low < 1 < right.high
        coarse, start = network(6, noise_mm=0.1)
        fine = model.Observations(
            coarse.xyz_mm, coarse.covariance_mm2 / 4, coarse.list_number, coarse.target, coarse.active
        )
        wrong = adjustment.chi_square_test(model.adjust(fine, start).solution)
        assert not wrong.passed and wrong.variance_factor == pytest.approx(4, rel=0.3)


class TestBlunders:
    @staticmethod
    def snoop(observations, start):
        def adjust(active, weight):
            weighted = model.Observations(
                observations.xyz_mm, observations.covariance_mm2 / weight[:, None, None],
                observations.list_number, observations.target, active,
            )  # fmt: skip
            return model.adjust(weighted, start)

        return blunders.snoop(
            adjust, observations.active, observations.covariance_mm2, observations.target, observations.list_number == 0
        )

    def test_the_detectable_blunder_moves_w_by_the_noncentrality(self):
        observations, start = network(7)
        adjusted = model.adjust(observations, start)
        tests = blunders.test(adjusted.residual_mm, observations.covariance_mm2, adjusted.Q_fitted, observations.active)
        xyz = observations.xyz_mm.copy()
        xyz[50, 1] += tests.detectable[50, 1]
        again = model.adjust(changed(observations, xyz), start)
        moved = blunders.test(again.residual_mm, observations.covariance_mm2, again.Q_fitted, observations.active)
        # 3.290 for a significance of 0.1 % and 0.842 for a power of 80 %; a residual is adjusted minus observed
        assert moved.w[50, 1] - tests.w[50, 1] == pytest.approx(-4.132, abs=2e-3)

    def test_several_blunders_at_once(self):
        observations, start = network(8, count=40, seen=28, segments=4)
        rows = np.array([3, 17, 60, 61, 90, 120])
        xyz = observations.xyz_mm.copy()
        xyz[rows] += np.random.default_rng(80).choice([-1, 1], (6, 3)) * [0.7, 1.0, 2.0]
        found = self.snoop(changed(observations, xyz), start)
        disputed = {row for pair in found.disputed for row in pair}
        assert set(rows.tolist()) <= set(np.flatnonzero(~found.active).tolist()) | disputed

    def test_what_two_lists_dispute_is_said_to_be_undecidable(self):
        observations, start = network(9, segments=1)
        xyz = observations.xyz_mm.copy()
        target = observations.target[observations.list_number == 1][5]
        survey, segment = np.flatnonzero(observations.target == target)
        xyz[survey] += 3.0
        found = self.snoop(changed(observations, xyz), start)
        assert found.disputed == [(segment, survey)]
        assert found.active[survey] and not found.active[segment]


class TestDoubles:
    @staticmethod
    def survey(seed, extra, segments=3, seen=60):
        """A survey with targets recorded again at ``extra`` {number: offset mm}, and segments that see all."""
        rng = np.random.default_rng(seed)
        truth = networks.body(rng, 60)
        numbers = list(extra)
        listed = networks.Truth(
            np.vstack([truth.xyz_mm, truth.xyz_mm[numbers] + np.array(list(extra.values())).reshape(-1, 3)]),
            np.vstack([truth.normal, truth.normal[numbers]]),
        )
        survey, _, order = networks.record(
            listed, np.arange(60 + len(numbers)), rng, name="control survey", noise_mm=0.05, T=np.eye(4)
        )
        seen_by = [networks.record(truth, np.arange(seen), rng, name=f"s{at}", noise_mm=0.05) for at in range(segments)]
        poses = np.array([T for _, T, _ in seen_by])
        return survey, [one for one, _, _ in seen_by], poses, order, listed

    def test_what_is_nearer_than_two_targets_can_be_is_one(self):
        survey, segments, poses, order, _ = self.survey(1, {5: [2.0, 1.0, 0.5]})
        (found,) = duplicate_targets.find(survey, segments, poses, TOLERANCE, SETTINGS)
        assert found.verdict == "dropped"  # three segments agree with the entry at the true place
        assert order[found.rows[0]] == 5 and order[found.rows[1]] == 60
        cleaned, rows = duplicate_targets.apply(survey, [found])
        assert len(cleaned) == 60 and found.rows[1] not in rows

    def test_without_segments_to_tell_both_records_are_joined(self):
        survey, segments, poses, order, listed = self.survey(2, {50: [2.0, 0, 0]}, seen=20)
        (found,) = duplicate_targets.find(survey, segments, poses, TOLERANCE, SETTINGS)
        assert found.verdict == "joined"
        cleaned, rows = duplicate_targets.apply(survey, [found])
        at = int(np.flatnonzero(rows == found.rows[0])[0])
        assert cleaned.xyz_mm[at] == pytest.approx(listed.xyz_mm[[50, 60]].mean(axis=0), abs=4 * 0.05)
        assert np.trace(cleaned.covariance_mm2[at]) > np.trace(survey.covariance_mm2[found.rows[0]])

    def test_two_targets_side_by_side_that_segments_saw_are_kept(self):
        rng = np.random.default_rng(3)
        truth = networks.body(rng, 40)
        beside = networks.Truth(
            np.vstack([truth.xyz_mm, truth.xyz_mm[:1] + [7.0, 0, 0]]), np.vstack([truth.normal, truth.normal[:1]])
        )
        survey, _, _ = networks.record(beside, np.arange(41), rng, name="control survey", noise_mm=0.05, T=np.eye(4))
        one, T, _ = networks.record(beside, np.arange(41), rng, name="s", noise_mm=0.05)
        found = duplicate_targets.find(survey, [one], T[None], TOLERANCE, SETTINGS)
        assert [double.verdict for double in found] in ([], ["kept"])

    def test_a_walk_is_told_from_a_shuffled_list(self):
        along = np.column_stack([np.arange(40) * 150.0, np.sin(np.arange(40)) * 40, np.zeros(40)])
        walk = duplicate_targets.path_m(along)
        assert walk[-1] == pytest.approx(np.linalg.norm(np.diff(along, axis=0), axis=1).sum() / 1000)
        assert duplicate_targets.path_m(along[np.random.default_rng(4).permutation(40)]) is None


class TestDrift:
    def test_from_closures(self):
        rng = np.random.default_rng(1)
        path = rng.uniform(5, 15, 400)
        gap = rng.normal(0, 0.06, (400, 3)) * path[:, None] + rng.normal(0, 0.05 * np.sqrt(2), (400, 3))
        found = drift.from_closures(np.linalg.norm(gap, axis=1), path, 0.05)
        assert found.value_mm_per_m == pytest.approx(0.06, abs=4 * found.sd_mm_per_m)
        assert found.sd_mm_per_m < 0.005

    def test_too_few_closures_give_no_estimate(self):
        assert drift.from_closures(np.array([1.0, 2.0]), np.array([10.0, 12.0]), 0.05) is None

    def test_from_lengths_tells_drift_from_none(self):
        rng = np.random.default_rng(2)
        estimates = []
        for size in (0.0, 0.1):
            a, b = [], []
            for _ in range(8):
                xyz = rng.uniform(-1500, 1500, (40, 3))
                bend = xyz @ (rng.normal(size=(3, 3)) * size / 1000)
                a.append(xyz + rng.normal(0, 0.03, xyz.shape))
                b.append(xyz + bend + rng.normal(0, 0.03, xyz.shape))
            estimates.append(drift.from_lengths(a, b))
        assert estimates[0].value_mm_per_m < 0.01 and estimates[0].upper_mm_per_m < 0.02
        # a bend G with entries of sd s changes a length along n by n.G.n a unit, whose mean square is s^2, shared by
        # both lists; 8 bends of 6 entries that count leave 1 / sqrt(2 * 48) of it open
        assert estimates[1].value_mm_per_m == pytest.approx(0.1 / np.sqrt(2), rel=4 / np.sqrt(2 * 48))


def test_a_walk_that_comes_back_shows_its_drift_where_it_closes():
    rng = np.random.default_rng(13)
    angle = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    loop = np.column_stack([2200 * np.cos(angle), 900 * np.sin(angle), rng.uniform(0, 500, 60)])
    again = np.vstack([loop, loop[:6]])  # the walk ends by recording its first six targets once more
    xyz = again + rng.normal(0, 0.05, again.shape)
    path = duplicate_targets.path_m(xyz)
    xyz += np.outer(path, rng.normal(0, 0.08, 3))
    covariance = target_noise.covariance(xyz, 0.05, 0.0)
    survey = target_list.TargetList("control survey", "control.csv", xyz, covariance)
    found = duplicate_targets.find(survey, [], np.empty((0, 4, 4)), TOLERANCE, SETTINGS)
    assert [one.rows for one in found] == [(row, 60 + row) for row in range(6)]
    assert all(one.path_m == pytest.approx(path[60 + at] - path[at]) for at, one in enumerate(found))
    drifted = np.linalg.norm(xyz[60:] - xyz[:6], axis=1).mean() / found[0].path_m
    estimate = drift.from_closures(
        np.array([one.distance_mm for one in found]), np.array([one.path_m for one in found]), 0.05
    )
    assert estimate.value_mm_per_m == pytest.approx(drifted / np.sqrt(3), rel=0.05)  # of one coordinate


class TestScale:
    def test_a_length_knows_that_its_ends_move_together(self):
        observations, start = network(11)
        adjusted = model.adjust(observations, start)
        i, j = 0, 1
        measured, sd = scale_bars.length(adjusted, i, j)
        assert measured == pytest.approx(np.linalg.norm(adjusted.xyz_mm[i] - adjusted.xyz_mm[j]))
        # the same from a whole inverse: every unknown in one dense problem
        n, t, s = len(observations.xyz_mm), 30, 3
        design = np.zeros((n, 3, 3 * t + 6 * s))
        middle = adjusted.xyz_mm.mean(axis=0)
        for row in range(n):
            target, number = observations.target[row], observations.list_number[row]
            design[row, :, 3 * target : 3 * target + 3] = np.eye(3)
            if number:
                first = 3 * t + 6 * (number - 1)
                cross = rigid.cross_matrix(adjusted.xyz_mm[[target]] - middle)[0]
                design[row, :, first : first + 6] = np.hstack([cross / 1000, -np.eye(3)])
        flat = design.reshape(3 * n, -1)
        Q = np.linalg.inv(flat.T @ flat) * 0.05**2
        along = (adjusted.xyz_mm[i] - adjusted.xyz_mm[j]) / measured
        pick = np.zeros(flat.shape[1])
        pick[3 * i : 3 * i + 3], pick[3 * j : 3 * j + 3] = along, -along
        assert sd == pytest.approx(np.sqrt(pick @ Q @ pick), rel=1e-6)

    def test_bars_that_agree_and_one_that_does_not(self):
        good = scale_bars.check_bar(("1", "2"), (1000.0, 0.01), (1000.02, 0.02))
        bad = scale_bars.check_bar(("3", "4"), (1000.0, 0.01), (1000.2, 0.02))
        assert good.passed and not bad.passed
        found = scale_bars.factor([good])
        assert found.factor == pytest.approx(1 - 20e-6, rel=1e-9) and found.sd == pytest.approx(22.36e-6, rel=1e-3)

    def test_five_metres_of_steel_at_35_degrees(self):
        # handbook range (value from memory): 11 to 12 um/(m K), so 0.83 to 0.90 mm too long
        found = scale_factor.to_reference(35.0, "steel")
        assert 0.83 - 0.005 < 5000 * (1 - found.factor) < 0.90 + 0.005
        # 1 um/(m K) evenly spread over 15 K, and 11.5 um/(m K) for one degree that the body may be off
        assert 5000 * found.sd == pytest.approx(np.hypot(0.075 / np.sqrt(12), 0.0575), rel=0.001)
        found = scale_factor.to_reference(20.0, "steel")
        assert found.factor == 1.0 and found.sd == pytest.approx(11.5e-6)


class TestCheckTargets:
    def test_errors_of_withheld_targets_are_what_the_weights_let_expect(self):
        ratios = []
        for seed in range(12, 18):
            observations, start = network(seed)
            checks = check_targets.leave_group_out(
                lambda active, o=observations, s=start: model.adjust(changed(o, active=active), s),
                observations,
                5,
            )
            ratios.append(checks.rms_mm / checks.expected_rms_mm)
            assert len(checks.row) == (observations.list_number > 0).sum()  # each sighting but the survey's, once
        # 6 networks of 48 errors with 3 coordinates: sd of a ratio about 1 / sqrt(2 * 6 * 144)
        assert np.mean(ratios) == pytest.approx(1.0, abs=4 / np.sqrt(2 * 6 * 144))

    def test_targets_that_cannot_be_spared_are_counted(self):
        # five targets, four of them in one line: without the fifth, the turn about that line is open
        xyz = np.array([[0.0, 0, 0], [100, 0, 0], [200, 0, 0], [300, 0, 0], [150, 400, 0]])
        rng = np.random.default_rng(20)
        listed = np.vstack([xyz, xyz]) + rng.normal(0, 1e-6, (10, 3)) * np.tile([0, 0, 0, 0, 1], 2)[:, None]
        observations = model.Observations(
            listed,
            np.tile(np.eye(3) * 0.05**2, (10, 1, 1)),
            np.repeat([0, 1], 5),
            np.tile(np.arange(5), 2),
            np.ones(10, bool),
        )
        checks = check_targets.leave_group_out(
            lambda active: model.adjust(changed(observations, active=active), np.tile(np.eye(4), (2, 1, 1))),
            observations,
            2,
        )
        # two groups run round the line: one holds three of the five targets and the fifth among them
        assert checks.needed + len(checks.row) == 5 and checks.needed in (2, 3)

    def test_none_where_too_few_are_common(self):
        observations, start = network(19, count=8, seen=6, segments=1)
        assert check_targets.leave_group_out(lambda active: None, observations, 5) is None


def test_noise_grows_from_the_middle_outwards():
    xyz = np.array([[0.0, 0, 0], [2000, 0, 0], [-2000, 0, 0]])
    covariance = target_noise.covariance(rigid.transform(rigid.pose(translation_mm=[5.0, 5, 5]), xyz), 0.05, 0.03)
    assert np.sqrt(covariance[:, 0, 0]) == pytest.approx([0.05, np.hypot(0.05, 0.06), np.hypot(0.05, 0.06)])
