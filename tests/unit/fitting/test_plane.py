import numpy as np
import pytest

from nightbay.core.errors import NotFound
from nightbay.fitting.plane import plane


def test_plane_of_noisy_points_and_its_covariance_against_many_repetitions():
    rng = np.random.default_rng(1)
    normal = np.array([0.2, -0.3, 0.9])
    normal /= np.linalg.norm(normal)
    first = np.cross(normal, [1.0, 0, 0])
    first /= np.linalg.norm(first)
    flat = rng.uniform([-80, -20], [80, 20], (60, 2)) @ np.array([first, np.cross(normal, first)])
    at, offsets, stated = np.array([1500.0, -700.0, 400.0]), [], []
    far = at + 100.0 * first
    for _ in range(400):
        found = plane(at + flat + rng.normal(0, 0.05, (60, 3)), 0.05)
        offsets.append((far - found.point_mm) @ found.normal)
        stated.append(found.sd_mm(far))
    # the relative standard deviation of an sd from 400 runs is 1 / sqrt(800) = 0.035; the residuals' own variance
    # counts where it is above the known one, which adds 0.4 / sqrt(57) of half of it: at most 0.03
    assert np.std(offsets) == pytest.approx(np.mean(stated), rel=3 * 0.035 + 0.03)
    assert abs(np.mean(offsets)) < 4 * np.std(offsets) / np.sqrt(400)


def test_three_points_give_a_plane_without_residuals_whose_uncertainty_is_that_of_the_points():
    found = plane(np.array([[0.0, 0, 0], [30, 0, 0], [0, 30, 0]]), 0.1)
    assert np.allclose(found.normal, [0, 0, 1]) and np.allclose(found.residuals_mm, 0.0)
    # the mean of three points with 0.1 mm each
    assert found.sd_mm(found.point_mm) == pytest.approx(0.1 / np.sqrt(3))


@pytest.mark.parametrize(
    ("points", "reason"),
    [
        (np.eye(3)[:2], "2 points are too few for a plane"),
        (np.outer(np.arange(9.0), [1.0, 2.0, 3.0]), "the points lie in a line"),
        (np.outer(np.arange(9.0), [9.0, 0, 0]) + np.eye(9, 3) * 0.1, "too near a line"),
    ],
)
def test_points_that_do_not_determine_a_plane_are_refused(points, reason):
    found = plane(points, 0.1)
    assert isinstance(found, NotFound) and reason in found.reason
