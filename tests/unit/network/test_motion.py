"""Several rigid motions between a survey and a segment."""

import json

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

import networks
from nightbay.core import rigid
from nightbay.matching import pairing
from nightbay.network import motion, target_identity
from nightbay.pipeline.settings import settings

TOLERANCE = pairing.Tolerance(0.05, 0.03)
SETTINGS = settings(
    {"network": {"same_target_mm": 8.0, "motion_targets_min": 4, "motion_significance": 1e-4, "narrowest_mm": 30.0}}
).network


def two_lists(seed, change, count=40):
    """A survey, a segment recorded after ``change`` moved some targets, and the segment's pose by the others."""
    rng = np.random.default_rng(seed)
    truth = networks.body(rng, count)
    survey, _, _ = networks.record(truth, np.arange(count), rng, name="control survey", noise_mm=0.05, T=np.eye(4))
    xyz, moved = change(truth.xyz_mm.copy())
    segment, T, numbers = networks.record(
        networks.Truth(xyz, truth.normal), np.arange(count), rng, name="roof", noise_mm=0.05
    )
    return survey, segment, T, set(np.flatnonzero(np.isin(numbers, moved)).tolist())


def lowered(xyz):
    """The body stood 6.1 mm lower: targets on the ground seem 6.1 mm higher."""
    ground = np.argsort(xyz[:, 2])[:8]
    xyz[ground, 2] += 6.1
    return xyz, ground


def opened(xyz):
    """A door with nine targets was opened by 50 degrees."""
    door = np.argsort(np.linalg.norm(xyz - [300, 900, 0], axis=1))[:9]
    turn = Rotation.from_rotvec([0, 0, np.radians(50)]).as_matrix()
    xyz[door] = (xyz[door] - [900, 900, 0]) @ turn.T + [900, 900, 0]
    return xyz, door


def test_a_lowered_body_is_reported_in_mm_with_its_significance():
    survey, segment, T, moved = two_lists(1, lowered)
    tied = target_identity.identify([survey, segment], np.array([np.eye(4), T]), TOLERANCE, SETTINGS)
    assert len(tied.moved) == 1
    move = tied.moved[0]
    assert set(move.rows.tolist()) == moved
    # 4 sd: 8 targets of 0.07 mm, and drift between ground and body
    assert move.shift.vector_mm[2] == pytest.approx(6.1, abs=4 * move.shift.sd_mm[2])
    assert move.body_shift.vector_mm[2] == pytest.approx(-6.1, abs=4 * move.body_shift.sd_mm[2])
    assert move.shift.p_value < 1e-20
    assert all(tied.target[1][row] == -1 for row in moved)
    assert np.abs(tied.T_control_list[1] - T)[:3, 3].max() < 0.3


def test_an_opened_door_is_found_though_its_targets_are_far_from_their_places():
    survey, segment, T, moved = two_lists(2, opened)
    tied = target_identity.identify([survey, segment], np.array([np.eye(4), T]), TOLERANCE, SETTINGS)
    assert [set(move.rows.tolist()) for move in tied.moved] == [moved]
    assert tied.moved[0].shift.angle_deg == pytest.approx(50, abs=0.2)


def test_nothing_moved():
    for seed in range(5):
        survey, segment, T, _ = two_lists(seed, lambda xyz: (xyz, []))
        assert target_identity.identify([survey, segment], np.array([np.eye(4), T]), TOLERANCE, SETTINGS).moved == []


def test_a_few_knocked_targets_are_no_motion():
    def knocked(xyz):
        rng = np.random.default_rng(30)
        xyz[:5] += rng.normal(0, 2, (5, 3))
        return xyz, []

    survey, segment, T, _ = two_lists(3, knocked)
    tied = target_identity.identify([survey, segment], np.array([np.eye(4), T]), TOLERANCE, SETTINGS)
    assert tied.moved == []
    assert json.dumps(tied.target[1].tolist()).count("-1") == 0  # they stay tied, for the test of blunders to judge


def test_the_significance_is_that_of_noise():
    """Without motion, p is spread evenly: its mean is a half and a twentieth lies below 0.05."""
    rng = np.random.default_rng(4)
    p = []
    for _ in range(400):
        a = rng.uniform(-500, 500, (12, 3))
        b = a + rng.normal(0, 0.05, a.shape)
        sd = np.full(6, 0.05)
        p.append(motion.shift(motion.fit(a[:6], b[:6], sd), motion.fit(a[6:], b[6:], sd), 0.0).p_value)
    assert np.mean(p) == pytest.approx(0.5, abs=4 * np.sqrt(1 / 12 / 400))
    assert np.mean(np.array(p) < 0.05) == pytest.approx(0.05, abs=4 * np.sqrt(0.05 * 0.95 / 400))


def test_a_pose_carries_the_covariance_of_its_points():
    a = np.random.default_rng(5).uniform(-500, 500, (9, 3))
    found = motion.fit(a, rigid.transform(rigid.pose(translation_mm=[3.0, 2, 1]), a), np.full(9, 0.1))
    assert np.diag(found.covariance)[3:] == pytest.approx(np.full(3, 0.1**2 / 9))
