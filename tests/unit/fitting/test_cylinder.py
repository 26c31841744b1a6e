import numpy as np
import pytest

from nightbay.core import plane_fit
from nightbay.core.errors import NotFound
from nightbay.fitting.cylinder import cylinder

AXIS = np.array([0.3, -0.5, 0.8]) / np.linalg.norm([0.3, -0.5, 0.8])
AT = np.array([1500.0, -700.0, 400.0])


def wall(rng, count, degrees=360.0, radius=20.0, length=30.0):
    """Points about the origin of a cylinder about Z and their outward directions (count, 3)."""
    turn = rng.uniform(0, np.radians(degrees), count)
    out = np.column_stack([np.cos(turn), np.sin(turn), np.zeros(count)])
    return radius * out + rng.uniform(-length / 2, length / 2, count)[:, None] * [0, 0, 1], out


def in_space(flat):
    u, v = plane_fit.across(AXIS)
    return flat @ np.array([u, v, AXIS])


def test_covariance_of_half_a_cylinder_against_many_repetitions():
    rng = np.random.default_rng(1)
    points, out = wall(rng, 300, degrees=180.0)
    middle = in_space(points).mean(axis=0)
    runs = []
    for _ in range(300):
        found = cylinder(AT + in_space(points + rng.normal(0, 0.05, 300)[:, None] * out), 0.05, AXIS)
        u, v = plane_fit.across(found.direction)
        true = (middle @ AXIS) * AXIS
        off = found.point_mm - AT - true
        tilt = found.direction * np.sign(found.direction @ AXIS)
        runs.append([off @ u, off @ v, (tilt - AXIS) @ u, (tilt - AXIS) @ v, found.radius_mm - 20.0])
    stated = np.sqrt(np.diag(found.covariance))
    # an sd from 300 runs is known to 4.1 %, the one of a single fit, from its 295 degrees of freedom, to 4.1 %
    assert np.std(runs, axis=0) == pytest.approx(stated, rel=3 * np.hypot(0.041, 0.041))
    assert np.all(np.abs(np.mean(runs, axis=0)) < 4 * stated / np.sqrt(300))


@pytest.mark.parametrize("seed", range(8))
def test_the_axis_is_searched_where_it_is_not_given(seed):
    rng = np.random.default_rng(seed)
    axis = rng.normal(size=3)
    axis /= np.linalg.norm(axis)
    u, v = plane_fit.across(axis)
    points = wall(rng, 400, degrees=200.0)[0] @ np.array([u, v, axis])
    found = cylinder(points + rng.normal(0, 0.02, points.shape), 0.02)
    assert abs(found.direction @ axis) > np.cos(np.radians(0.2)) and found.radius_mm == pytest.approx(20.0, abs=0.05)


def test_points_that_do_not_determine_a_cylinder_are_refused_with_the_reason():
    rng = np.random.default_rng(3)
    assert "4 points are too few" in cylinder(np.zeros((4, 3)), 0.1).reason
    strip, _ = wall(rng, 200, degrees=5.0, radius=60.0)
    short = cylinder(strip + rng.normal(0, 0.1, strip.shape), 0.1, np.array([0.0, 0, 1]))
    assert isinstance(short, NotFound) and "the arc is too short" in short.reason
    ring, out = wall(rng, 60, length=0.5)
    flat = cylinder(ring + rng.normal(0, 0.2, 60)[:, None] * out, 0.2, np.array([0.0, 0, 1]))
    assert isinstance(flat, NotFound) and "too short: its axis" in flat.reason
