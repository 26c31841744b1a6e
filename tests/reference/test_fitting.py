"""Fits against values from outside the project."""

import numpy as np
import pytest

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
