"""What poses add to points and to differences of points, against closed forms and drawn poses."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

import part_results
from nightbay.core import rigid
from nightbay.frame.result import Bounds
from nightbay.uncertainty import budget, registration

Y, X = np.array([0.0, 1.0, 0.0]), np.array([1.0, 0.0, 0.0])
ENDS = np.array([[0.0, 800.0, 500.0], [4000.0, 0.0, 900.0], [2500.0, -800.0, 700.0]])


def of(covariances, bounds=None, T_vehicle_control=None):
    """A registration of segments a, b, ... whose bounds hold everything unless given."""
    names = [chr(ord("a") + at) for at in range(len(covariances))]
    frame = part_results.frame([0, 0, 0], [1, 1, 1])
    if T_vehicle_control is not None:
        frame.T_vehicle_control[:] = T_vehicle_control
    frame.segments.clear()
    bounds = bounds or [(-9000.0, 9000.0)] * len(names)
    frame.segments.update(
        {name: Bounds(np.full(3, low), np.full(3, high)) for name, (low, high) in zip(names, bounds, strict=True)}
    )
    poses = {name: part_results.pose(covariance=found) for name, found in zip(names, covariances, strict=True)}
    return registration.of(frame, poses)


def test_a_turning_pose_moves_a_far_point_by_its_lever():
    frame = part_results.frame([0, 0, 0], [5000, 0, 0])
    poses = {"all": part_results.pose(covariance=np.diag([0, 0, 1e-8, 0, 0, 0]))}
    at = np.array([5000.0, 0.0, 0.0])
    assert budget.registration_sd_mm(at, Y, frame, poses) == pytest.approx(0.5)
    assert budget.registration_sd_mm(at, X, frame, poses) == pytest.approx(0.0)


def test_a_point_that_no_segment_shows_has_no_uncertainty():
    found = of([np.eye(6)], [(0.0, 100.0)])
    at = np.array([[159.0, 50.0, 50.0], [161.0, 50.0, 50.0]])
    assert np.isfinite(registration.point_sd_mm(at, X, found)).tolist() == [True, False]
    assert np.isnan(registration.difference_sd_mm(at[:1], at[1:], X, found)).all()


def test_a_shift_of_the_segment_that_shows_both_ends_changes_no_distance():
    found = of([np.diag([0, 0, 0, 0.09, 0.04, 0.01])])
    assert registration.difference_sd_mm(ENDS[:1], ENDS[1:2], X, found) == pytest.approx([0.0], abs=1e-9)
    assert registration.point_sd_mm(ENDS[:1], X, found) == pytest.approx([0.3])


def test_a_turn_counts_over_the_lever_between_the_ends():
    found = of([np.diag([0, 0, 1e-8, 0, 0, 0])])
    # along Y, a turn about Z by 1e-4 moves ends that lie 4000 mm apart in X by 0.4 mm against each other
    assert registration.difference_sd_mm(ENDS[:1], ENDS[1:2], Y, found) == pytest.approx([0.4])


def test_ends_of_different_segments_add_their_variances():
    found = of([np.diag([0, 0, 0, 0.09, 0, 0]), np.diag([0, 0, 0, 0.16, 0, 0])], [(-9000.0, 900.0), (900.0, 9000.0)])
    low, high = np.full((1, 3), 100.0), np.full((1, 3), 2000.0)
    assert registration.difference_sd_mm(low, high, X, found) == pytest.approx([0.5])


@pytest.mark.parametrize("mirrored", [False, True])
def test_drawn_poses_scatter_as_stated(mirrored):
    """Poses of three segments drawn about the control frame, whose origin lies metres from the vehicle's."""
    random = np.random.default_rng(3)
    roots = [random.normal(size=(6, 6)) * np.repeat([3e-5, 0.1], 3)[:, None] for _ in range(3)]
    T = rigid.pose(Rotation.from_rotvec([0.3, -0.2, 1.1]).as_matrix(), [3000.0, -700.0, 250.0])
    found = of([root @ root.T for root in roots], T_vehicle_control=T)
    seen = np.array([[True, True, False], [False, True, False], [True, True, True]])
    others_seen = np.array([[True, False, False], [True, False, True], [True, True, True]])
    others = ENDS[::-1] + [200.0, 0.0, 0.0]
    direction = np.array([0.6, 0.64, 0.48])
    facing = direction * [1, -1, 1] if mirrored else direction
    stated = registration.difference_sd_mm(
        ENDS, others, direction, found, other_directions=facing, seen=seen, others_seen=others_seen
    )
    drawn = [random.normal(size=(4000, 6)) @ root.T for root in roots]
    in_control = [rigid.transform(rigid.invert(T), end) for end in (ENDS, others)]
    shifts = []
    for end, along, shown in zip(in_control, (direction, facing), (seen, others_seen), strict=True):
        moved = [np.cross(motion[:, None, :3], end) + motion[:, None, 3:] for motion in drawn]
        moved_along = np.array([rigid.rotate(T, each.reshape(-1, 3)).reshape(each.shape) @ along for each in moved])
        shifts.append(np.einsum("skn,ns->kn", moved_along, shown / shown.sum(axis=1, keepdims=True)))
    # 4000 draws show a standard deviation to 1 / sqrt(8000) = 1.1 %; four times that
    assert stated == pytest.approx((shifts[0] - shifts[1]).std(axis=0), rel=0.045)
