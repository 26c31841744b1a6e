import numpy as np
import pytest

from nightbay.core.errors import NotFound
from nightbay.features import rims

SPACING = 1.0


def plate(rng, half=40.0, holes=(), keep=None):
    """Random points of a square plate, one a mm2, without those in ``holes`` [(x, y, radius)]."""
    points = rng.uniform(-half, half, (int(4 * half * half / SPACING**2), 2))
    for x, y, radius in holes:
        points = points[np.linalg.norm(points - [x, y], axis=1) > radius]
    return points if keep is None else points[keep(points)]


def circle_of(rim):
    return rims.flat_circle(rim.points_mm, 0.3)


def test_rims_of_many_holes_are_found_without_bias():
    """The nearest point of a sector lies a gap off the rim, about a third of a millimetre here: it is taken off."""
    rng = np.random.default_rng(1)
    found = [circle_of(rims.hole(plate(rng, holes=[(1.0, -2.0, 8.0)]), np.zeros(2), 15.0)) for _ in range(60)]
    radius = np.array([each.radius_mm for each in found]) - 8.0
    centre = np.array([each.centre_mm for each in found]) - [1.0, -2.0]
    # sectors of three spacings: 16 gaps whose mean and scatter are a third of a spacing
    expected = SPACING / 3 / np.sqrt(16)
    assert np.std(radius) < 1.5 * expected and np.std(centre) < 1.5 * np.sqrt(2) * expected
    # what is left: the mean of 60 to three standard errors, and the second order of the gap, (1/3)^2 / (2 * 8)
    assert abs(np.mean(radius)) < 3 * np.std(radius) / np.sqrt(60) + (1 / 3) ** 2 / 16
    assert np.all(np.abs(centre.mean(axis=0)) < 3.5 * np.std(centre) / np.sqrt(60))


def test_the_outer_edge_of_a_disc_is_found():
    rng = np.random.default_rng(2)
    points = plate(rng, keep=lambda p: np.linalg.norm(p - [3.0, 1.0], axis=1) < 20.0)
    found = circle_of(rims.disc(points))
    # 41 sectors with gaps of a third of a spacing
    assert found.radius_mm == pytest.approx(20.0, abs=4 / 3 / np.sqrt(41))
    assert found.centre_mm == pytest.approx([3.0, 1.0], abs=4 * np.sqrt(2) / 3 / np.sqrt(41))


def test_a_straight_edge_is_found():
    rng = np.random.default_rng(3)
    out = np.array([np.cos(0.4), np.sin(0.4)])
    points = plate(rng, keep=lambda p: p @ out < 10.0)
    points = points[np.linalg.norm(points - 10.0 * out, axis=1) < 30.0]
    rim = rims.straight(points, 10.0 * out)
    # about 20 strips, gaps of a third of a spacing
    assert np.mean(rim.points_mm @ out) == pytest.approx(10.0, abs=4 / 3 / np.sqrt(20))


@pytest.mark.parametrize(
    ("points", "reason"),
    [
        (plate(np.random.default_rng(4)), "no hole of more than 4 mm diameter"),
        (plate(np.random.default_rng(5), holes=[(0, 0, 1.0)]), "no hole of more than 4 mm diameter"),
        (plate(np.random.default_rng(6), holes=[(-6, 0, 4), (6, 0, 4)]), "2 holes of similar size"),
        (plate(np.random.default_rng(7), holes=[(0, 0, 8)], keep=lambda p: p[:, 0] < 3.0), "no hole of more than"),
    ],
)
def test_what_is_no_hole_is_refused(points, reason):
    found = rims.hole(points, np.zeros(2), 15.0)
    assert isinstance(found, NotFound) and reason in found.reason


def test_an_edge_that_is_not_there_or_not_straight_is_refused():
    rng = np.random.default_rng(8)
    inside = rims.straight(plate(rng), np.zeros(2))
    assert isinstance(inside, NotFound) and "on all sides" in inside.reason
    bent = plate(rng, keep=lambda p: np.linalg.norm(p - [-15.0, 0.0], axis=1) < 25.0)
    round_edge = rims.straight(bent, np.array([10.0, 0.0]))
    assert isinstance(round_edge, NotFound) and "straight edge" in round_edge.reason
