import numpy as np
import pytest

from nightbay.fitting.line import line


def test_covariance_of_a_line_against_many_repetitions():
    rng = np.random.default_rng(1)
    along = rng.uniform(-50, 50, 40)
    runs = []
    for _ in range(500):
        points = along[:, None] * [0.0, 0.0, 1.0] + rng.normal(0, 0.05, (40, 3)) * [1, 1, 0]
        found = line(points, 0.05)
        runs.append([*found.point_mm[:2], *found.direction[:2]])
    stated = np.sqrt(np.diag(found.covariance))
    # an sd from 500 runs is known to 3.2 %, the one of a single fit, from its 76 degrees of freedom, to 8 %
    assert np.std(runs, axis=0) == pytest.approx(stated[[1, 1, 3, 3]], rel=3 * np.hypot(0.032, 0.081))


def test_points_that_do_not_determine_a_line_are_refused_with_the_reason():
    assert "1 points are too few" in line(np.zeros((1, 3)), 0.1).reason
    assert "one point" in line(np.zeros((5, 3)), 0.1).reason
    assert "too near each other" in line(np.random.default_rng(2).normal(0, 1, (20, 3)), 1.0).reason
