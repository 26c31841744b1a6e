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
    assert places.name(CAR, view, np.array(centre, float)) == words


def test_without_axles_the_front_end_is_the_mark():
    bare = places.Frame(CAR.low_mm, CAR.high_mm)
    words = places.name(bare, "left", np.array([1200.0, -900, 800]))
    assert words == "left side, below the windows (2.0 m behind the front end, 0.8 m above the ground)"


def test_axles_of_a_coach_have_numbers():
    coach = places.Frame(CAR.low_mm, CAR.high_mm, (0.0, 1200.0, 2500.0), 310.0)
    assert places.name(coach, "left", np.array([1200.0, -900, 400])) == "axle 2 left wheel arch"
