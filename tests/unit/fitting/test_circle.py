import numpy as np
import pytest

from nightbay.core.errors import NotFound
from nightbay.fitting.circle import circle, flat_circle


def arc(rng, count, degrees, radius, noise):
    turn = rng.uniform(0, np.radians(degrees), count)
    return (radius + rng.normal(0, noise, count))[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])


def test_covariance_of_an_arc_against_many_repetitions():
    rng = np.random.default_rng(1)
    turn = rng.uniform(0, np.radians(140.0), 80)
    where = np.column_stack([np.cos(turn), np.sin(turn)])
    runs = []
    for _ in range(500):
        found = flat_circle((12.0 + rng.normal(0, 0.04, 80))[:, None] * where + [900.0, -300.0], 0.04)
        runs.append([*(found.centre_mm - [900.0, -300.0]), found.radius_mm])
    stated = np.sqrt(np.diag(found.covariance))
    # an sd from 500 runs is known to 3.2 %, the one of a single fit, from its 77 degrees of freedom, to 8 %
    assert np.std(runs, axis=0) == pytest.approx(stated, rel=3 * np.hypot(0.032, 0.081))


def test_circle_in_space_lies_in_the_plane_of_its_points():
    rng = np.random.default_rng(2)
    flat = arc(rng, 60, 360.0, 40.0, 0.0)
    first, second = np.array([0.6, 0.8, 0.0]), np.array([0.0, 0.0, 1.0])
    found = circle(np.array([500.0, 20.0, -60.0]) + flat @ np.array([first, second]), 0.01)
    assert found.centre_mm == pytest.approx([500.0, 20.0, -60.0]) and found.radius_mm == pytest.approx(40.0)
    assert np.abs(found.plane.normal) == pytest.approx([0.8, 0.6, 0.0])


def test_points_that_do_not_determine_a_circle_are_refused_with_the_reason():
    rng = np.random.default_rng(3)
    assert "2 points are too few" in flat_circle(np.eye(2), 0.1).reason
    assert "lie on a line or a plane" in flat_circle(np.outer(np.arange(9.0), [1.0, 3.0]), 0.1).reason
    short = flat_circle(arc(rng, 100, 8.0, 50.0, 0.1), 0.1)
    assert isinstance(short, NotFound) and "the arc is too short" in short.reason
