"""How closely two surfaces lie on each other, and what two scans of one surface are expected to show."""

import numpy as np
import pytest

from nightbay.core import rigid
from nightbay.refine import coarse_fit, coarse_match, fine_fit
from nightbay.refine.coarse_match import ThinnedSegment
from searched_segments import HeldCloud

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
    expected_mm = fine_fit.NORMAL_MEDIAN * noise_mm * np.sqrt(2 / a_cell)
    assert found_mm == pytest.approx(expected_mm, rel=1 / 36 + 3 * 1.17 / np.sqrt(cells))


def test_drift_adds_to_what_is_expected_as_squares():
    rng = np.random.default_rng(3)
    cells = grid()
    noisy = ThinnedSegment(cells.xyz_mm + rng.normal(0, 0.2, cells.xyz_mm.shape) * [0, 0, 1], cells.normal, CELL_MM)
    halves, drift_mm = [[cells, noisy]] * 2, 0.3
    own_mm = fine_fit.own_offset_mm([cells, noisy])
    still, drifted = fine_fit.expected(halves, 0.0), fine_fit.expected(halves, drift_mm)
    assert still.offset_mm == pytest.approx(own_mm)
    assert drifted.offset_mm == pytest.approx(np.hypot(own_mm, fine_fit.NORMAL_MEDIAN * drift_mm))
    assert drifted.step_mm == pytest.approx(still.step_mm + fine_fit.DRIFT_SD * drift_mm)


def test_noise_alone_makes_no_step():
    """Cells of one point: a second scan of them lies beyond the distance that makes a step once in thousands."""
    rng = np.random.default_rng(4)

    def scanned():
        up = rng.normal(0, 0.2, (400, 1)) * [0, 0, 1]
        return ThinnedSegment(grid().xyz_mm + up, grid().normal, CELL_MM)

    # halves hold half as many points as a scan does, so their noise is wider by the root of two
    wide = [ThinnedSegment(np.sqrt(2) * scan.xyz_mm, scan.normal, CELL_MM) for scan in (scanned(), scanned())]
    for scan in wide:
        scan.xyz_mm[:, :2] = grid().xyz_mm[:, :2]
    step_mm = fine_fit.expected([wide, wide], 0.0).step_mm
    fit = coarse_fit.compare(scanned(), scanned(), np.eye(4), (np.zeros(400, bool),) * 2, 100.0, step_mm)
    assert fit.contradicting == 0 and fit.agreeing > 0.99 * 800
    lifted_by = rigid.pose(translation_mm=[0.0, 0.0, step_mm + 5 * 0.2 * np.sqrt(2)])
    fit = coarse_fit.compare(scanned(), scanned(), lifted_by, (np.zeros(400, bool),) * 2, 100.0, step_mm)
    assert fit.contradicting > 0.99 * 800


def test_nothing_near_makes_the_expected_unknown():
    apart = ThinnedSegment(grid().xyz_mm + [0.0, 0.0, 1000.0], grid().normal, CELL_MM)
    found = fine_fit.expected([[grid(), apart]] * 2, 0.1)
    assert found.offset_mm == found.step_mm == np.inf
