"""One of many: the choice depends on where points lie, not on their order."""

import numpy as np

from nightbay.core import thinning


def test_thin_keeps_one_point_a_cube_the_one_nearest_its_centre():
    points = np.array([[1.0, 1.0, 1.0], [4.0, 5.0, 6.0], [14.0, 5.0, 5.0], [-1.0, 5.0, 5.0]])
    assert thinning.thin(points, 10.0).tolist() == [3, 1, 2]


def test_thin_chooses_the_same_points_in_any_order():
    rng = np.random.default_rng(1)
    points = rng.uniform(-50, 50, (2000, 3))
    shuffled = rng.permutation(len(points))
    one, other = points[thinning.thin(points, 7.0)], points[shuffled][thinning.thin(points[shuffled], 7.0)]
    assert np.array_equal(one, other)


def test_the_least_of_each_key_is_the_first_of_those_alike():
    rng = np.random.default_rng(4)
    key, value = rng.integers(0, 50, 2000), rng.integers(0, 20, 2000) / 7
    order = np.lexsort((value, key))  # stable: rows alike in both stay in order
    expected = order[np.flatnonzero(np.diff(key[order], prepend=-1))]
    assert thinning.least_of_each(key, value).tolist() == expected.tolist()


def test_thin_of_nothing_is_nothing():
    assert len(thinning.thin(np.empty((0, 3)), 5.0)) == 0
