"""How closely two surfaces lie on each other, and what two scans of one surface are expected to show."""

import numpy as np
import pytest

from nightbay.core import rigid
from nightbay.refine import coarse_match, fine_fit, pair_search
from nightbay.refine.coarse_match import ThinnedSegment
from searched_segments import SPACING_MM, WIDTH_MM, Cells, HeldCloud

CELL_MM = 50.0


def grid(sided=True):
    """A plane of 20 by 20 cells that faces up."""
    at = CELL_MM * np.stack(np.meshgrid(np.arange(20.0), np.arange(20.0)), axis=-1).reshape(-1, 2)
    return ThinnedSegment(np.column_stack([at, np.zeros(400)]), np.tile([0.0, 0.0, 1.0], (400, 1)), CELL_MM, sided)


def lifted(mm):
    return rigid.pose(translation_mm=[0.0, 0.0, mm])


def test_identical_surfaces_lie_on_each_other():
    assert fine_fit.closeness(grid(), grid(), np.eye(4)) == (1.0, 0.0)


def test_a_shift_along_the_normal_is_the_distance():
    near_mm, apart_mm = 0.9 * fine_fit.CLOSE * CELL_MM, 1.1 * fine_fit.CLOSE * CELL_MM
    assert fine_fit.closeness(grid(), grid(), lifted(near_mm)) == (1.0, pytest.approx(near_mm))
    assert fine_fit.closeness(grid(), grid(), lifted(apart_mm)) == (0.0, pytest.approx(apart_mm))
    beyond = lifted(1.1 * fine_fit.NEAR * CELL_MM)
    assert fine_fit.closeness(grid(), grid(), beyond) == (0.0, float("inf"))


def test_a_shift_along_the_surface_changes_nothing_but_the_rim():
    """Cells of the rim have none across, but one beside them, whose plane is the same."""
    slid = rigid.pose(translation_mm=[0.4 * CELL_MM, 0.0, 0.0])
    assert fine_fit.closeness(grid(), grid(), slid) == (1.0, 0.0)


def test_a_surface_that_faces_away_is_another_where_sides_are_known():
    over = grid().turned
    assert fine_fit.closeness(grid(), over, np.eye(4)) == (0.0, float("inf"))
    assert fine_fit.closeness(grid(), grid(sided=False).turned, np.eye(4)) == (1.0, 0.0)


@pytest.mark.parametrize(("noise_mm", "seed"), [(0.1, 1), (1.0, 2)])
def test_the_distance_of_two_scans_follows_from_their_noise(noise_mm, seed):
    rng = np.random.default_rng(seed)
    a_cell, cells = 36, 400
    points = rng.uniform(0, 20 * CELL_MM, (a_cell * cells, 3))
    points[:, 2] = CELL_MM / 4 + rng.normal(0, noise_mm, len(points))  # in the middle of a layer of cells, shifted too
    cloud = HeldCloud(points, np.tile([0.0, 0.0, 1.0], (len(points), 1)))
    found_mm = fine_fit.own_offset_mm(coarse_match.halves(cloud, CELL_MM))
    # means of 36 points differ by noise times the root of 2/36 between two scans; 0.6745 of it is the median. Half as
    # many points vary by chance, which adds 1/18 to the variance; the median of 400 distances is known to 1.17/20.
    expected_mm = pair_search.NORMAL_MEDIAN * noise_mm * np.sqrt(2 / a_cell)
    assert found_mm == pytest.approx(expected_mm, rel=1 / 36 + 3 * 1.17 / np.sqrt(cells))


def test_drift_adds_to_what_is_expected_as_squares():
    rng = np.random.default_rng(3)
    cells = grid()
    noisy = ThinnedSegment(cells.xyz_mm + rng.normal(0, 0.2, cells.xyz_mm.shape) * [0, 0, 1], cells.normal, CELL_MM)
    segment, drift = Cells(cells), 0.3
    segment.halves = lambda cell_mm: [cells, noisy]
    own_mm = fine_fit.own_offset_mm([cells, noisy])
    # half a width from the middles of both segments, errors of which add as squares
    drift_mm = pair_search.NORMAL_MEDIAN * drift / 1000 * WIDTH_MM / 2 * np.sqrt(2)
    expected_mm = pair_search.expected_offset_mm(segment, segment, 3 * SPACING_MM, drift)
    assert expected_mm == pytest.approx(np.hypot(own_mm, drift_mm))
    assert pair_search.expected_offset_mm(segment, segment, 3 * SPACING_MM, 0.0) == pytest.approx(own_mm)
