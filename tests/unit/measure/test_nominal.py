from dataclasses import replace

import numpy as np
import pytest

from nightbay.measure import nominal
from nightbay.measure.result import Angle, Dimension, Tolerance, TouchPoints, UnscannedEnd

LENGTH = Dimension("length", 4002.0, None, 1.0, 2, {}, [], TouchPoints(None, None), [])
ANGLE = Angle("angle", 17.0, 0.2, 2, {}, [], False, np.zeros(3), [])
OPEN = [UnscannedEnd("high", 3.0, np.zeros(3))]


def given(lower, upper, value=4000.0):
    return {"nominal": value, "lower": lower, "upper": upper}


def test_a_plain_number_has_no_tolerance():
    found = nominal.dimension(LENGTH, 4000)
    assert (found.nominal_mm, found.difference_mm, found.significant) == (4000.0, 2.0, True)
    assert found.tolerance is None and found.verdict is None
    assert nominal.dimension(LENGTH, None) == LENGTH


@pytest.mark.parametrize(
    ("lower", "upper", "verdict"),
    [(-5, 5, "inside"), (-5, 2.5, "undecided"), (-5, 0.5, "outside"), (-5, None, "inside"), (None, 3, "inside")],
)
def test_a_tolerance_is_judged_by_the_uncertainty(lower, upper, verdict):
    found = nominal.dimension(LENGTH, given(lower, upper))
    assert found.verdict == verdict
    assert found.tolerance == Tolerance(lower, upper)


@pytest.mark.parametrize(
    ("changed", "upper", "lower", "verdict", "significant"),
    [
        ({"unscanned_ends": OPEN}, 5, -5, "undecided", True),  # 2 mm too long already, and maybe longer
        ({"unscanned_ends": OPEN}, 0.5, -5, "outside", True),
        ({"unscanned_ends": OPEN}, None, 4, "undecided", True),  # too short as scanned, but it may be longer
        ({"at_most": True}, 5, -5, "undecided", None),  # it may be shorter
        ({"at_most": True}, 0.5, -5, "undecided", None),
        ({"at_most": True}, None, 3.5, "outside", None),  # too short already
    ],
)
def test_a_bound_is_never_inside_a_tolerance(changed, upper, lower, verdict, significant):
    found = nominal.dimension(replace(LENGTH, **changed), given(lower, upper))
    assert (found.verdict, found.significant) == (verdict, significant)


def test_angles_are_judged_alike():
    found = nominal.angle(ANGLE, given(-1, 1, 17.5))
    assert (found.difference_deg, found.significant, found.verdict) == (-0.5, True, "inside")
    bound = nominal.angle(replace(ANGLE, at_most=True), given(-1, 1, 18.5))
    assert (bound.significant, bound.verdict) == (True, "outside")
    assert nominal.angle(ANGLE, None) == ANGLE
