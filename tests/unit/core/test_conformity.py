import math

import pytest

from nightbay.core.conformity import verdict


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (9.939, "outside"),
        (9.941, "undecided"),
        (9.959, "undecided"),
        (9.961, "inside"),
        (10.039, "inside"),
        (10.041, "undecided"),
        (10.059, "undecided"),
        (10.061, "outside"),
    ],
)
def test_zones_of_a_shaft_of_10_mm_within_005_mm_measured_to_001_mm(value, expected):
    """The zones of ISO 14253-1 (from memory): conformity is proved from 9.96 to 10.04 mm, non-conformity below 9.94
    and above 10.06 mm, and nothing within the expanded uncertainty of a limit."""
    assert verdict(value, 0.01, 9.95, 10.05) == expected


def test_a_limit_may_be_open():
    assert verdict(5.0, 0.2, 4.5, None) == "inside"
    assert verdict(5.0, 0.2, None, 4.5) == "outside"
    assert verdict(5.0, 0.2, None, 5.1) == "undecided"


def test_a_tolerance_narrower_than_the_uncertainty_is_never_proved_to_be_kept():
    assert verdict(10.0, 0.1, 9.95, 10.05) == "undecided"


@pytest.mark.parametrize("uncertainty", [math.inf, math.nan])
def test_nothing_is_proved_without_an_uncertainty(uncertainty):
    assert verdict(10.0, uncertainty, 9.0, 11.0) == "undecided"
    assert verdict(99.0, uncertainty, 9.0, 11.0) == "undecided"
