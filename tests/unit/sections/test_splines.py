"""Splines through polylines: corners, the stated deviation against a search over all stretches, and closed curves."""

import numpy as np
import pytest

from nightbay.sections import splines

TURN = np.linspace(0, 2 * np.pi, 401)
CIRCLE = 100.0 * np.column_stack([np.cos(TURN), np.sin(TURN)])
CIRCLE[-1] = CIRCLE[0]


def furthest(points, line):
    """Largest distance of points, (k, 2), from a polyline, among all of its stretches."""
    start, along = line[:-1], np.diff(line, axis=0)
    share = np.einsum("kij,ij->ki", points[:, None] - start, along) / (along**2).sum(axis=1).clip(1e-300)
    nearest = start + np.clip(share, 0, 1)[..., None] * along
    return np.linalg.norm(points[:, None] - nearest, axis=2).min(axis=1).max()


def apart(found, line):
    """Largest distance between splines and a polyline, in both directions."""
    curve = np.vstack([spline.at(np.linspace(0, 1, 300)) for spline in found])
    steps = np.linspace(0, 1, 5)[:-1, None, None]
    dense = np.vstack([(line[:-1] + steps * np.diff(line, axis=0)).reshape(-1, 2), line[-1]])
    return max(furthest(curve, line), furthest(dense, curve))


def test_a_smooth_loop_is_one_closed_curve_without_a_corner():
    (spline,) = splines.through(CIRCLE, True, 0.2)
    assert spline.closed and len(spline.control_mm) < 40
    assert np.linalg.norm(spline.at(TURN / TURN[-1]), axis=1) == pytest.approx(100.0, abs=0.2)
    ends = np.array([spline.control_mm[1] - spline.control_mm[0], spline.control_mm[-1] - spline.control_mm[-2]])
    directions = ends / np.linalg.norm(ends, axis=1, keepdims=True)
    assert directions[0] == pytest.approx(directions[1], abs=1e-6)
    assert len(spline.knots) == len(spline.control_mm) + 4


@pytest.mark.parametrize("tolerance", [0.05, 0.2, 1.0])
@pytest.mark.parametrize("seed", [1, 2])
def test_the_deviation_is_within_the_tolerance_and_is_not_understated(tolerance, seed):
    """A line of waves, steps and noise of 0.05 mm, against a search over all stretches."""
    rng = np.random.default_rng(seed)
    x = np.sort(rng.uniform(0, 600, 500))
    y = 40 * np.sin(x / 60) + 8 * (x > 250) + 0.4 * np.abs(x - 400)
    line = np.column_stack([x, y]) + rng.normal(0, 0.05, (500, 2))
    found = splines.through(line, False, tolerance)
    stated = max(spline.deviation_mm for spline in found)
    # samples of either side leave what a curve bends between two of them
    assert apart(found, line) <= stated + 0.01 and stated <= tolerance
    assert found[0].at(np.zeros(1))[0] == pytest.approx(line[0]) and found[-1].at(np.ones(1))[0] == pytest.approx(
        line[-1]
    )
    for one, after in zip(found[:-1], found[1:], strict=True):
        assert one.control_mm[-1] == pytest.approx(after.control_mm[0], abs=1e-9)


def test_corners_break_the_curve_and_straight_sides_are_straight():
    side = np.linspace(0, 50, 40)[:-1]
    none = np.zeros_like(side)
    square = np.vstack(
        [np.column_stack(pair) for pair in ((side, none), (none + 50, side), (50 - side, none + 50), (none, 50 - side))]
    )
    for first in (0, 17):  # the loop may begin anywhere
        turned = np.roll(square, -first, axis=0)
        found = splines.through(np.vstack([turned, turned[:1]]), True, 0.2)
        assert len(found) == 4 and all(len(spline.control_mm) == 4 for spline in found)
        starts = {tuple(np.round(spline.control_mm[0]) + 0.0) for spline in found}
        assert starts == {(0.0, 0.0), (50.0, 0.0), (50.0, 50.0), (0.0, 50.0)}


def test_a_round_edge_is_a_corner_only_where_it_is_tight():
    """Rounded by 20 mm the right angle is smooth for a tolerance of 0.2 mm, rounded by 1 mm it is a corner."""
    for radius, corners in ((20.0, 0), (1.0, 1)):
        turn = np.linspace(-np.pi / 2, 0, 20)
        arc = radius * np.column_stack([np.cos(turn), np.sin(turn)]) + [-radius, radius]
        line = np.vstack([[[-60, 0], [-40, 0]], arc, [[0, 40], [0, 60]]])
        assert min(len(splines.corners(line, False, 0.2)), 1) == corners


def test_points_on_top_of_each_other_and_lines_of_two_points():
    line = np.array([[0.0, 0.0], [0.0, 0.0], [1e-9, 0.0], [3.0, 4.0], [3.0, 4.0 + 1e-9]])
    (spline,) = splines.through(line, False, 0.1)
    assert spline.control_mm[[0, -1]] == pytest.approx(line[[0, -1]])
    assert splines.through(line[:2], False, 0.1) == []
