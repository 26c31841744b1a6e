"""Places in words."""

import numpy as np
import pytest

from nightbay.coverage import places

CAR = places.Frame(np.array([-800.0, -900, 200]), np.array([3200.0, 900, 1500]), (0.0, 2500.0), 310.0)


@pytest.mark.parametrize(
    ("view", "centre", "words"),
    [
        ("left", (2500, -850, 500), "rear left wheel arch"),
        ("right", (50, 850, 600), "front right wheel arch"),
        ("left", (1200, -900, 300), "left side, at sill height (1.2 m behind the front axle, 0.3 m above the ground)"),
        ("right", (0, 900, 800), "right side, below the windows (at the front axle, 0.8 m above the ground)"),
        ("rear", (3200, 0, 1100), "rear, at window height, in the middle (1.1 m above the ground)"),
        ("front", (-800, 700, 1480), "front, at the edge of the roof, towards the right (1.5 m above the ground)"),
        ("top", (2490, -500, 1500), "roof, towards the left (at the rear axle, 1.5 m above the ground)"),
        ("top", (-500, 0, 900), "top, in the middle (0.5 m ahead of the front axle, 0.9 m above the ground)"),
    ],
)  # fmt: skip
def test_names(view, centre, words):
    assert places.words(CAR.location(np.array(centre, float)), view) == words


def test_without_axles_the_front_end_is_the_mark():
    bare = places.Frame(CAR.low_mm, CAR.high_mm)
    words = places.words(bare.location(np.array([1200.0, -900, 800])), "left")
    assert words == "left side, below the windows (2.0 m behind the front end, 0.8 m above the ground)"


@pytest.mark.parametrize(
    ("centre", "words"),
    [
        ((1200, -900, 400), "axle 2 left wheel arch"),
        ((1500, -900, 800), "left side, below the windows (0.3 m behind axle 2, 0.8 m above the ground)"),
        ((2000, -900, 800), "left side, below the windows (0.5 m ahead of axle 3, 0.8 m above the ground)"),
    ],
)
def test_axles_of_a_coach_have_numbers(centre, words):
    coach = places.Frame(CAR.low_mm, CAR.high_mm, (0.0, 1200.0, 2500.0), 310.0)
    assert places.words(coach.location(np.array(centre, float)), "left") == words


def test_where_two_wheel_arches_meet_the_nearer_axle_counts():
    tandem = places.Frame(CAR.low_mm, CAR.high_mm, (0.0, 2000.0, 2700.0), 310.0)
    assert places.words(tandem.location(np.array([2400.0, -900, 400])), "left") == "axle 3 left wheel arch"


def test_a_single_axle_has_no_number():
    trailer = places.Frame(CAR.low_mm, CAR.high_mm, (1000.0,), 310.0)
    words = [places.words(trailer.location(np.array([x, 850.0, 500])), "right") for x in (1000.0, 2000.0)]
    assert words == [
        "right wheel arch",
        "right side, below the windows (1.0 m behind the axle, 0.5 m above the ground)",
    ]
