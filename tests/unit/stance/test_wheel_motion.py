import numpy as np
import pytest

import blockcar
from nightbay.core import rigid
from nightbay.stance import wheel_motion
from nightbay.stance.wheel_zone import WheelZone

CENTRE = np.array([0.0, 840.0, 310.0])


def scanned(seed, motion=None, share=slice(None)):
    """Points and normals of the right front wheel's outside, and moved by (rotation vector rad, shift mm)."""
    points, normals = blockcar.scan(blockcar.wheel(0.0, 840.0), 24_000, seed)
    seen = (normals[:, 1] > 0.05) | (points[:, 2] > 450.0)
    points, normals = points[seen][share], normals[seen][share]
    if motion is not None:
        T = rigid.moved(np.eye(4), np.asarray(motion, float), CENTRE)
        points, normals = rigid.transform(T, points), rigid.rotate(T, normals)
    return points, normals


def test_a_wheel_that_stands_higher_and_leans_is_measured():
    motion = [0.004, 0.0, -0.01, 1.0, -0.5, 4.0]
    found = wheel_motion.between(scanned(1), scanned(2, motion), CENTRE)
    sd = np.sqrt(np.diag(found.covariance))
    true = np.array([1.0, -0.5, 4.0, 0.004, -0.01])
    assert np.all(np.abs(found.motion - true) < 4 * sd + [0.05, 0.05, 0.05, 2e-4, 2e-4])
    assert sd[2] < 0.1  # thousands of points of 0.1 mm
    assert found.apart_mm > 0.3


def test_a_wheel_that_did_not_move_shows_no_motion():
    found = wheel_motion.between(scanned(1), scanned(2), CENTRE)
    assert np.abs(found.motion[:3]).max() < 0.1
    assert np.degrees(np.abs(found.motion[3:])).max() < 0.05


def test_turning_about_the_axle_is_no_motion():
    found = wheel_motion.between(scanned(1), scanned(2, [0.0, 0.7, 0.0, 0.0, 0.0, 0.0]), CENTRE)
    assert np.abs(found.motion[:3]).max() < 0.1


def test_two_sides_of_a_wheel_are_not_compared():
    points, normals = scanned(1)
    high = points[:, 2] > 330.0
    low = points[:, 2] < 250.0
    assert wheel_motion.between((points[high], normals[high]), (points[low], normals[low]), CENTRE) is None


def test_the_zone_of_a_wheel_holds_its_points_and_no_sill():
    zone = WheelZone(CENTRE, np.array([0.0, 1.0, 0.0]), 310.0)
    points, _ = scanned(1)
    low, high = zone.box()
    assert zone.holds(points).mean() > 0.999
    assert np.all((points > low) & (points < high))
    assert not zone.holds(np.array([[500.0, 800.0, 300.0], [0.0, 400.0, 300.0]])).any()
    assert zone.risen(50.0, 1.0).holds(points).mean() < 0.95
    assert zone.middle_mm[1] == pytest.approx(740.0)
