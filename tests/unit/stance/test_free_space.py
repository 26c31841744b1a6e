import numpy as np
from scipy.spatial import cKDTree

from nightbay.core import thinning
from nightbay.stance import free_space, panels
from nightbay.stance.panels import Scan


def scanned(seed, *plates):
    """A wall of 2 m by 1 m that faces +Y, and plates before it: (low x, high x, low z, high z, y)."""
    rng, points = np.random.default_rng(seed), []
    for x_low, x_high, z_low, z_high, y in ((0.0, 2000.0, 0.0, 1000.0, 0.0), *plates):
        count = int((x_high - x_low) * (z_high - z_low) / 40.0)
        x, z = rng.uniform([x_low, z_low], [x_high, z_high], (count, 2)).T
        points.append(np.column_stack([x, y + rng.normal(0, 0.1, count), z]))
    points = np.concatenate(points)
    seeds = np.sort(thinning.thin(points, panels.SEED_MM))
    return Scan(points, np.tile([0.0, 1.0, 0.0], (len(points), 1)), cKDTree(points), seeds)


BOARD = (500.0, 900.0, 300.0, 700.0, 130.0)


def test_a_board_that_stood_there_in_one_run_only_is_named():
    (found,) = free_space.find([scanned(1), scanned(2, BOARD)])
    assert (found.number, found.through) == (1, 0)
    assert 0.1 < len(found.cells) * 0.0025 <= 0.2  # of 0.16 m2
    assert np.all(found.low_mm >= [450.0, 50.0, 250.0])
    assert np.all(found.high_mm <= [950.0, 200.0, 750.0])
    assert found.normal[1] > 0.99
    assert found.holds(np.array([[700.0, 130.0, 500.0], [700.0, 0.0, 500.0]])).tolist() == [True, False]


def test_what_both_saw_or_what_is_small_or_near_is_not():
    assert free_space.find([scanned(1, BOARD), scanned(2, BOARD)]) == []
    assert free_space.find([scanned(1), scanned(2, (500.0, 560.0, 300.0, 360.0, 130.0))]) == []
    assert free_space.find([scanned(1), scanned(2, (500.0, 900.0, 300.0, 700.0, 30.0))]) == []


def test_a_place_that_two_segments_looked_through_is_listed_once():
    assert len(free_space.find([scanned(1), scanned(2, BOARD), scanned(3)])) == 1
