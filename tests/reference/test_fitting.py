"""Fits against values from outside the project."""

import numpy as np
import pytest

from nightbay.fitting import orthogonal
from nightbay.fitting.circle import flat_circle
from nightbay.fitting.cylinder import cylinder
from nightbay.fitting.sphere import sphere


@pytest.mark.parametrize(
    ("points", "centre", "radius", "sd"),
    [
        # OSGeoLab, Budapest University of Technology and Economics, tutorial (CC0), as printed
        ([(2, 3, 4), (-3, 1, 3), (-2, -4, 2), (-5, 2, -4)], (1.357, 0.214, -2.214), 6.840, 0.01),
        (
            [
                (102.167, 99.674, 58.389),
                (102.178, 99.754, 58.383),
                (102.145, 99.752, 58.411),
                (102.135, 99.675, 58.414),
            ],
            (101.985, 99.725, 58.187),
            0.277,
            1e-6,
        ),
    ],
)
def test_sphere_through_four_points(points, centre, radius, sd):
    found = sphere(np.array(points, float), sd)
    assert found.centre_mm == pytest.approx(np.array(centre), abs=0.0006)  # three digits are printed
    assert found.radius_mm == pytest.approx(radius, abs=0.0006)


def test_full_sphere_has_the_uncertainties_of_the_closed_forms():
    """sd of a centre coordinate sigma sqrt(3 / N), of the radius sigma / sqrt(N), for N points all over a sphere."""
    count, sigma = 4000, 0.08
    # a spiral of even steps in height covers the sphere evenly
    z = 1.0 - (2.0 * np.arange(count) + 1.0) / count
    turn = np.arange(count) * np.pi * (3.0 - np.sqrt(5.0))
    where = np.column_stack([np.sqrt(1 - z**2) * np.cos(turn), np.sqrt(1 - z**2) * np.sin(turn), z])
    found = sphere(25.0 * where, sigma)
    expected = sigma * np.sqrt(np.array([3.0, 3.0, 3.0, 1.0]) / count)
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx(expected, rel=2.0 / count)  # evenness of the spiral


def test_circle_of_least_geometric_distances():
    """W. Gander, G. Golub, R. Strebel, BIT 34 (1994) 558-578 (values from memory, recomputed)."""
    points = np.array([(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7)], float)
    middle = points.mean(axis=0)
    found = orthogonal.ball(points - middle, 0.1)
    assert found.parameters + [*middle, 0.0] == pytest.approx([4.7398, 2.9835, 4.7142], abs=6e-5)
    # too uncertain to be stated: its residuals are a tenth of its radius, on less than half of its circumference
    assert "the arc is too short" in flat_circle(points, 0.1).reason


def test_whole_cylinder_has_the_uncertainties_of_the_closed_forms():
    """N points evenly round a cylinder of length L (least squares of even rings, by hand): sd of the axis' position
    across it sigma sqrt(2 / N), of its slopes sigma sqrt(24 / N) / L, of the radius sigma / sqrt(N)."""
    rings, around, length, sigma = 61, 24, 40.0, 0.08
    turn = 2 * np.pi * np.arange(around) / around
    z = length * ((np.arange(rings) + 0.5) / rings - 0.5)
    ring = np.column_stack([15.0 * np.cos(turn), 15.0 * np.sin(turn), np.zeros(around)])
    points = (ring[None] + z[:, None, None] * [0.0, 0.0, 1.0]).reshape(-1, 3)
    found, count = cylinder(points, sigma), rings * around
    expected = sigma * np.array([np.sqrt(2), np.sqrt(2), np.sqrt(24) / length, np.sqrt(24) / length, 1]) / count**0.5
    # the rings' own mean square of z is 1 - 1 / rings^2 of an even spread's
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx(expected, rel=1 / rings**2)
