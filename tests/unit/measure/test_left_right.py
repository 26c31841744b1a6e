import numpy as np
import pytest

from nightbay.measure import left_right


def hull(count, seed):
    rng = np.random.default_rng(seed)
    direction = rng.normal(size=(count, 3))
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    return direction * 500.0, direction


def compare(points, normals, left, spacing_mm, limit_mm):
    sides = []
    for sign in (left, -left):
        rows, apart_mm = left_right.thinned(points, sign * points[:, 1] > 0.0, spacing_mm)
        sides.append(left_right.Side(points[rows], normals[rows], apart_mm))
    return left_right.compare(*sides, limit_mm)


def test_equal_sides_deviate_by_the_sampling_alone():
    compared = compare(*hull(60000, 1), 1.0, 10.0, 25.0)
    numbers = left_right.summary(compared)
    # a partner up to 10 mm aside on a radius of 500 mm: up to e^2 / (2 R) = 0.1 mm
    assert abs(numbers.median_mm) < 0.05
    assert numbers.abs_95_mm < 0.2
    assert numbers.without_partner < 0.01


@pytest.mark.parametrize(("left", "sign"), [(1.0, 1.0), (-1.0, -1.0)])
def test_a_bulge_of_the_left_is_positive(left, sign):
    points, normals = hull(60000, 2)
    bulge = (points[:, 1] > 300) & (points[:, 0] > 0)
    points = points + np.outer(bulge, [0.0, 4.0, 0.0])
    compared = compare(points, normals, left, 10.0, 25.0)
    there = np.abs(compared.points_mm[:, 1]) > 320
    there &= compared.points_mm[:, 0] > 30
    # 4 mm along Y, seen along normals within 50 degrees of Y
    assert np.nanmedian(compared.deviation_mm[there]) == pytest.approx(sign * 4.0 * 0.8, abs=0.5)


def test_what_only_one_side_shows_has_no_partner():
    points, normals = hull(40000, 3)
    shown = (points[:, 1] > 0) | (points[:, 0] < 0)
    numbers = left_right.summary(compare(points[shown], normals[shown], 1.0, 10.0, 25.0))
    assert numbers.without_partner == pytest.approx(0.5, abs=0.03)


def test_sides_that_share_nothing_give_no_numbers():
    points, normals = hull(5000, 4)
    left = points[:, 1] > 50
    assert left_right.summary(compare(points[left], normals[left], 1.0, 10.0, 25.0)) is None
