import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from nightbay.core import rigid


def random_pose(rng, spread_mm=5000.0):
    return rigid.pose(Rotation.random(rng=rng).as_matrix(), rng.normal(0, spread_mm, 3))


def test_invert_is_the_inverse():
    T_a_b = random_pose(np.random.default_rng(1))
    assert np.allclose(rigid.invert(T_a_b) @ T_a_b, np.eye(4), atol=1e-11)


def test_transform_moves_points_and_rotate_moves_directions():
    T_a_b = rigid.pose(Rotation.from_euler("z", 90, degrees=True).as_matrix(), (10.0, 0.0, 0.0))
    assert np.allclose(rigid.transform(T_a_b, [[1.0, 0.0, 0.0]]), [[10.0, 1.0, 0.0]])
    assert np.allclose(rigid.rotate(T_a_b, [[1.0, 0.0, 0.0]]), [[0.0, 1.0, 0.0]])


@pytest.mark.parametrize("degrees", [0.0, 0.001, 90.0, 180.0])
def test_angle(degrees):
    T_a_b = rigid.pose(Rotation.from_euler("x", degrees, degrees=True).as_matrix())
    assert rigid.angle_deg(T_a_b) == pytest.approx(degrees, abs=1e-6)


def test_fit_recovers_a_pose_far_from_the_origin():
    rng = np.random.default_rng(2)
    T_a_b = random_pose(rng)
    points_b = rng.normal(0, 1000, (12, 3)) + 4e6
    # coordinates of 4e6 mm carry 1e-9 mm of rounding each; a lever of 4e6 / 1e3 grows it to some 1e-6
    assert np.allclose(
        rigid.transform(rigid.fit(rigid.transform(T_a_b, points_b), points_b), points_b),
        rigid.transform(T_a_b, points_b),
        atol=1e-6,
    )


def test_fit_never_mirrors():
    rng = np.random.default_rng(3)
    points = rng.normal(0, 1000, (8, 3))
    assert np.linalg.det(rigid.fit(points * [1, 1, -1], points)[:3, :3]) == pytest.approx(1.0)


def test_fit_follows_the_weights():
    rng = np.random.default_rng(4)
    points = rng.normal(0, 1000, (8, 3))
    moved = points.copy()
    moved[0] += 50.0
    weights = np.ones(8)
    weights[0] = 1e-12
    assert np.allclose(rigid.fit(moved, points, weights), np.eye(4), atol=1e-6)


def test_fit_wants_three_points():
    with pytest.raises(ValueError, match="three points, 2 given"):
        rigid.fit(np.zeros((2, 3)), np.zeros((2, 3)))


def test_a_small_motion_turns_about_its_centre_and_shifts():
    centre = np.array([100.0, -40.0, 7.0])
    T = rigid.pose(Rotation.from_rotvec([0.3, -0.2, 0.5]).as_matrix(), [5.0, 6.0, 7.0])
    motion = np.array([0.0, 0.0, np.pi / 2, 1.0, 2.0, 3.0])
    found = rigid.moved(T, motion, centre)
    at = rigid.transform(T, np.array([[0.0, 0.0, 0.0]]))[0]
    away = at - centre
    np.testing.assert_allclose(found[:3, 3], centre + [-away[1], away[0], away[2]] + motion[3:], atol=1e-9)
    np.testing.assert_allclose(found[:3, :3], Rotation.from_rotvec(motion[:3]).as_matrix() @ T[:3, :3], atol=1e-12)


def test_displacement_is_least_sure_across_the_lever():
    covariance = np.diag([0.0, 0.0, 0.002**2, 0.3**2, 0.1**2, 0.2**2])  # a turn about Z moves a point on X along Y
    found = rigid.displacement_sd_mm(covariance, np.array([[0.0, 0.0, 0.0], [1000.0, 0.0, 0.0]]))
    np.testing.assert_allclose(found, [0.3, np.hypot(2.0, 0.1)], rtol=1e-12)
