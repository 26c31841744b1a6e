"""Quantiles and tails against scipy.stats."""

import numpy as np
import pytest
from scipy import stats

from nightbay.core import distributions

TAILS = [1e-9, 0.001, 0.025, 0.05, 0.5, 0.9]
DEGREES = [1, 3, 7, 120]


@pytest.mark.parametrize("tail", TAILS)
def test_values_that_are_exceeded(tail):
    assert distributions.normal_above(tail) == pytest.approx(stats.norm.isf(tail), rel=1e-9, abs=1e-12)
    for degrees in DEGREES:
        assert distributions.chi_squared_above(tail, degrees) == pytest.approx(stats.chi2.isf(tail, degrees), rel=1e-9)
        assert distributions.chi_squared_below(tail, degrees) == pytest.approx(stats.chi2.ppf(tail, degrees), rel=1e-9)
        assert distributions.student_above(tail, degrees) == pytest.approx(
            stats.t.isf(tail, degrees), rel=1e-7, abs=1e-12
        )
    assert distributions.student_above(tail, np.inf) == distributions.normal_above(tail)


@pytest.mark.parametrize("value", [0.01, 1.0, 30.0, 400.0])
def test_tails_and_density_of_chi_squared(value):
    for degrees in DEGREES:
        assert distributions.chi_squared_tail(value, degrees) == pytest.approx(stats.chi2.sf(value, degrees), rel=1e-9)
        assert distributions.chi_squared_density(value, degrees) == pytest.approx(
            stats.chi2.pdf(value, degrees), rel=1e-9
        )


@pytest.mark.parametrize("count", [-2, -1, 0, 3, 9, 10, 11])
@pytest.mark.parametrize("probability", [0.0, 0.02, 0.7, 1.0])
def test_more_than_so_many_successes(count, probability):
    expected = stats.binom.sf(count, 10, probability)
    assert distributions.binomial_tail(count, 10, probability) == pytest.approx(expected, rel=1e-9)
