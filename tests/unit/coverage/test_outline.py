"""Outlines of cells."""

import numpy as np

from nightbay.coverage import outline


def area(polygon):
    x, y = polygon.T
    return 0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)


def test_a_rectangle_has_four_corners():
    mask = np.zeros((6, 5), bool)
    mask[1:4, 2:4] = True
    (polygon,) = outline.polygons(mask, np.array([100.0, 200.0]), 10.0)
    assert sorted(map(tuple, polygon)) == [(110, 220), (110, 240), (140, 220), (140, 240)]
    assert area(polygon) == 600


def test_an_island_is_an_outline_of_its_own():
    mask = np.ones((5, 5), bool)
    mask[2, 2] = False
    areas = sorted(area(polygon) for polygon in outline.polygons(mask, np.zeros(2), 1.0))
    assert areas == [-1, 25]


def test_cells_that_touch_at_a_corner_close():
    mask = np.array([[True, False], [False, True]])
    assert sum(area(polygon) for polygon in outline.polygons(mask, np.zeros(2), 1.0)) == 2
