"""Targets as observations beside the overlaps: they say of the poses what the network says."""

import numpy as np
import pytest

import overlap_scenes
from nightbay.core import rigid
from nightbay.network.result import NetworkResult
from nightbay.pipeline import typed
from nightbay.pipeline.settings import settings
from nightbay.refine import target_constraints

VALUES = {"target_noise_mm": 0.05, "target_drift_mm_per_m": 0.0}
SCAN = settings({"scan": VALUES}).scan


@pytest.fixture(scope="module")
def surveyed():
    """A network of a control survey and two segments, and its poses."""
    rng = np.random.default_rng(41)
    true = {"a": overlap_scenes.random_pose(rng), "b": overlap_scenes.random_pose(rng)}
    seen = {"a": np.arange(0, 60), "b": np.arange(30, 55)}
    result = typed.read(NetworkResult, overlap_scenes.targets(true, true, seen, rng, VALUES).result)
    return result, [result.poses[name].T_control_segment for name in true]


def test_covariance_of_the_poses_is_the_networks(surveyed):
    network, poses = surveyed
    centre = np.array([100.0, -50.0, 20.0])
    ties = target_constraints.read(network, ["a", "b"], poses, centre, SCAN)
    matrix, right = target_constraints.normal_equations(ties, 2)
    covariance = np.linalg.inv(matrix.sum(axis=0))
    for at, name in enumerate(("a", "b")):
        block = rigid.covariance_at_origin(covariance[6 * at : 6 * at + 6, 6 * at : 6 * at + 6], centre)
        np.testing.assert_allclose(block, network.poses[name].covariance, rtol=1e-3, atol=1e-3 * block.max())
    np.testing.assert_allclose(right.sum(axis=0), 0, atol=1e-6)


def test_a_motion_shows_at_the_targets_of_its_segment(surveyed):
    network, poses = surveyed
    ties = target_constraints.read(network, ["a", "b"], poses, np.zeros(3), SCAN)
    motions = np.zeros((ties.count, 2, 6))
    before = target_constraints.squared_distances(ties, motions, 1)
    motions[:, 1, 3] = 2.0  # segment b by 2 mm along X
    after = target_constraints.squared_distances(ties, motions, 1)
    assert len(before) == 25
    # a target against the mean of two others, all with 0.05 mm a coordinate: 3 * 0.05**2 * 1.5
    assert before.mean() == pytest.approx(3 * 0.05**2 * 1.5, rel=0.5)
    assert np.sqrt(after.mean()) == pytest.approx(2.0, rel=0.05)
    np.testing.assert_allclose(
        target_constraints.squared_distances(ties, 0 * motions, 0).mean(), 3 * 0.05**2 * 2, rtol=0.5
    )


def test_no_targets_say_nothing():
    matrix, right = target_constraints.normal_equations(target_constraints.none(), 3)
    assert matrix.sum() == 0 and right.sum() == 0
