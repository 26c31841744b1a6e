"""What leaving out blocks of an overlap says of a covariance."""

import numpy as np
import pytest

from nightbay.refine import block_jackknife, overlap_adjustment
from nightbay.refine.overlap_adjustment import NormalEquations
from nightbay.refine.overlap_patches import Patches

FREE = np.array([False, True])
NONE = NormalEquations(np.zeros((12, 12)), np.zeros(12))
SD_MM, COUNT = 0.05, 400


def patches(mean_mm, at_mm, normal):
    J = np.hstack([np.cross(at_mm, normal), normal])
    ends = np.tile([0, 1], (len(at_mm), 1))
    return Patches(
        np.zeros(3),
        ends,
        np.zeros(len(at_mm), int),
        at_mm,
        np.ones(len(at_mm)),
        mean_mm,
        J,
        np.zeros((len(at_mm), 2)),
        SD_MM**2 * np.eye(len(at_mm)),
        1e-9,
    )


def overlap(rng, count=COUNT):
    """Places and normals on all sides of an ellipsoid."""
    normal = rng.normal(size=(count, 3))
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    return normal * [900.0, 500.0, 300.0], normal


def widening(found):
    solution = overlap_adjustment.solve(overlap_adjustment.overlap_equations(found, 2), NONE, FREE)
    return block_jackknife.widening(found, NONE, FREE, solution, solution.inverse)


def test_what_fits_exactly_is_not_widened_nor_what_is_held():
    rng = np.random.default_rng(1)
    at_mm, normal = overlap(rng)
    np.testing.assert_array_equal(widening(patches(np.zeros(COUNT), at_mm, normal)), [1.0, 1.0])
    assert widening(patches(rng.normal(0, 10 * SD_MM, COUNT), at_mm, normal))[0] == 1.0


def test_errors_beyond_the_model_widen_by_their_variance():
    rng = np.random.default_rng(4)
    at_mm, normal = overlap(rng)
    errors = rng.normal(0, 10 * SD_MM, COUNT)
    once, twice = (widening(patches(errors * times, at_mm, normal))[1] for times in (1.0, 2.0))
    assert once > 1.0 and twice == pytest.approx(4 * once)


@pytest.mark.parametrize("off_sd", [20.0, 40.0])
def test_a_region_that_errs_together_widens(off_sd):
    rng = np.random.default_rng(2)
    at_mm, normal = overlap(rng)
    region = np.linalg.norm(at_mm - at_mm[0], axis=1) < 300.0
    sound = rng.normal(0, SD_MM, COUNT)
    without = widening(patches(sound, at_mm, normal))[1]
    assert widening(patches(sound + off_sd * SD_MM * region, at_mm, normal))[1] > 5 * without


def test_few_patches_are_not_divided():
    at_mm, normal = overlap(np.random.default_rng(3), block_jackknife.LEAST_PATCHES - 1)
    np.testing.assert_array_equal(widening(patches(np.ones(len(at_mm)), at_mm, normal)), [1.0, 1.0])
