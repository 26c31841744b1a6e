"""Wall thickness from two skins whose wall is known."""

import numpy as np
import pytest

from nightbay.join import pose_fit, thickness
from nightbay.join.skin import Skin

WALL = 80.0


def sheet(y_mm, facing, low, high, rng):
    """Points (n, 3) every 10 mm of an upright sheet, with noise of 0.1 mm, and their normals."""
    x, z = (grid.ravel() for grid in np.meshgrid(np.arange(low, high, 10.0), np.arange(0.0, 500.0, 10.0)))
    points = np.column_stack([x, y_mm + rng.normal(0, 0.1, len(x)), z])
    return points, np.tile([0.0, facing, 0.0], (len(points), 1))


def skin(*sheets):
    points, normals = (np.concatenate(parts) for parts in zip(*sheets, strict=True))
    return Skin(points, normals, 10.0, 0.1, 0.0, 1500.0)


def test_an_inner_surface_that_both_saw_is_no_wall():
    """Through an aperture the exterior sees half of the inner wall, and there its normals are on the wrong side."""
    rng = np.random.default_rng(5)
    outside = skin(sheet(WALL, 1.0, 0.0, 1000.0, rng), sheet(0.0, 1.0, 600.0, 1000.0, rng))
    inside = skin(sheet(0.0, -1.0, 0.0, 1000.0, rng))
    covariance = np.diag([1e-8, 1e-8, 1e-8, 0.04, 0.04, 0.04])
    still = pose_fit.Motion(np.zeros(3), np.zeros(6), covariance, np.zeros(0), np.zeros((0, 0)))
    found = thickness.measure(outside, inside, np.eye(4), still, step_mm=20.0, most_mm=400.0)
    assert len(found.thickness_mm) > 600
    assert found.thickness_mm == pytest.approx(np.full(len(found.thickness_mm), WALL), abs=1.0)
    assert found.inner_mm[:, 0].max() < 620  # beyond it the place is seen twice, and has no thickness
