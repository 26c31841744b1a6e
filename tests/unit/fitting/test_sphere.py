import numpy as np
import pytest

from nightbay.core.errors import NotFound
from nightbay.fitting.sphere import sphere


def cap(rng, count, half_angle_deg):
    """Unit directions (count, 3), evenly spread over a cap about Z."""
    z = rng.uniform(np.cos(np.radians(half_angle_deg)), 1.0, count)
    turn = rng.uniform(0, 2 * np.pi, count)
    flat = np.sqrt(1 - z**2)
    return np.column_stack([flat * np.cos(turn), flat * np.sin(turn), z])


def test_covariance_of_a_half_sphere_against_many_repetitions():
    rng = np.random.default_rng(2)
    where, at = cap(rng, 300, 70.0), np.array([2100.0, -850.0, 640.0])
    runs = []
    for _ in range(400):
        found = sphere(at + (25.0 + rng.normal(0, 0.05, 300))[:, None] * where, 0.05)
        runs.append([*(found.centre_mm - at), found.radius_mm - 25.0])
    stated = np.sqrt(np.diag(found.covariance))
    # an sd from 400 runs is known to 3.5 %, the one of a single fit, from its 296 degrees of freedom, to 4 %
    assert np.std(runs, axis=0) == pytest.approx(stated, rel=3 * np.hypot(0.035, 0.041))
    assert np.all(np.abs(np.mean(runs, axis=0)) < 4 * stated / np.sqrt(400))


def test_the_result_moves_with_the_points_far_from_zero():
    points = 15.0 * cap(np.random.default_rng(3), 50, 180.0)
    near, far = sphere(points, 0.01), sphere(points + [4e6, 6e5, 4e6], 0.01)
    assert np.allclose(far.centre_mm - [4e6, 6e5, 4e6], near.centre_mm, atol=1e-7)
    assert far.radius_mm == pytest.approx(15.0, abs=1e-7)


def test_points_that_do_not_determine_a_sphere_are_refused_with_the_reason():
    rng = np.random.default_rng(4)
    few = sphere(np.eye(3), 0.1)
    assert isinstance(few, NotFound) and "3 points are too few" in few.reason
    flat = np.column_stack([rng.uniform(0, 9, (30, 2)), np.zeros(30)])
    assert "lie on a line or a plane" in sphere(flat, 0.1).reason
    small = 500.0 * cap(rng, 200, 1.0) + rng.normal(0, 0.1, (200, 3))
    assert "cover too little of the sphere" in sphere(small, 0.1).reason
