import pytest

from nightbay.core import conformity


# Limits 9.9 and 10.1 with an expanded uncertainty of 0.03: the zones of ISO 14253-1, recomputed by hand.
@pytest.mark.parametrize(
    ("value", "verdict"),
    [
        (10.0, "inside"),
        (10.07, "inside"),
        (10.08, "undecided"),
        (10.12, "undecided"),
        (10.14, "outside"),
        (9.93, "inside"),
        (9.92, "undecided"),
        (9.86, "outside"),
    ],
)
def test_a_value_is_judged_by_its_uncertainty(value, verdict):
    assert conformity.verdict(value, 0.03 - 1e-12, 9.9, 10.1) == verdict


def test_a_tolerance_narrower_than_twice_the_uncertainty_is_never_met_for_certain():
    assert {conformity.verdict(10.0 + 0.01 * k, 0.2, 9.9, 10.1) for k in range(-10, 11)} == {"undecided"}


def test_a_limit_may_be_missing_on_either_side():
    assert conformity.verdict(1e9, 1.0, 10.0, None) == "inside"
    assert conformity.verdict(8.0, 1.0, 10.0, None) == "outside"
    assert conformity.verdict(8.0, 1.0, None, 10.0) == "inside"
