import numpy as np
import pytest

from nightbay.measure import protrusions


def wall(bumps, seed=1):
    """A wall 3 m long that bulges by 20 mm in the middle, 5 mm2 a point, with (low, high, reach) bumps on it."""
    rng = np.random.default_rng(seed)
    along = rng.uniform(0, 3000, 60000)
    height = 800 + 20 * np.sin(along / 3000 * np.pi) + rng.normal(0, 0.1, len(along))
    for low, high, reach in bumps:
        height[(along > low) & (along < high)] += reach
    return along, height, np.full(len(along), 5.0)


def test_a_mirror_is_found_with_its_reach():
    along, height, areas = wall([(700, 950, 180)])
    (found,) = protrusions.find(along, height, areas, 500.0, 20.0)
    assert found.low_mm == pytest.approx(700, abs=40)
    assert found.high_mm == pytest.approx(950, abs=40)
    # the surroundings are the lower of both sides; the wall bulges by 6 mm over the bump
    assert found.reach_mm == pytest.approx(180, abs=8)
    assert set(np.flatnonzero((along > 700) & (along < 950))) <= set(found.rows.tolist())


def test_what_is_longer_belongs_to_the_body():
    assert protrusions.find(*wall([(700, 1400, 60)]), 500.0, 20.0) == []


def test_a_smooth_wall_has_none():
    assert protrusions.find(*wall([]), 500.0, 20.0) == []


def test_a_single_point_is_none():
    along, height, areas = wall([])
    height[7] += 300.0
    assert protrusions.find(along, height, areas, 500.0, 20.0) == []


def test_two_are_told_apart_in_their_order():
    found = protrusions.find(*wall([(1900, 2050, 30), (700, 950, 180)]), 500.0, 20.0)
    assert [round(one.reach_mm, -1) for one in found] == [180, 30]


def test_a_gap_in_the_scan_is_no_protrusion():
    along, height, areas = wall([])
    seen = (along < 1000) | (along > 1300)
    assert protrusions.find(along[seen], height[seen], areas[seen], 500.0, 20.0) == []
