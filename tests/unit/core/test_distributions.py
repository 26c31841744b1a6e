"""Quantiles and tails against scipy.stats."""

import numpy as np
import pytest
from scipy import stats

from nightbay.core import distributions

TAILS = (1e-12, 1e-3, 0.025, 0.5, 0.95)
DEGREES = (1, 2, 3, 6, 300)
ROUNDING = 1e-13  # of a few operations in double precision


@pytest.mark.parametrize("tail", TAILS)
def test_quantiles_of_the_normal_distribution_and_of_student_without_end(tail):
    expected = stats.norm.isf(tail)
    assert distributions.normal_above(tail) == pytest.approx(expected, rel=ROUNDING, abs=0)
    assert distributions.student_above(tail, np.inf) == pytest.approx(expected, rel=ROUNDING, abs=0)


@pytest.mark.parametrize("degrees", DEGREES)
@pytest.mark.parametrize("tail", TAILS)
def test_chi_squared_and_student(tail, degrees):
    value = stats.chi2.isf(tail, degrees)
    for found, expected in (
        (distributions.chi_squared_above(tail, degrees), value),
        (distributions.chi_squared_below(1 - tail, degrees), stats.chi2.ppf(1 - tail, degrees)),
        (distributions.chi_squared_tail(value, degrees), stats.chi2.sf(value, degrees)),
        (distributions.chi_squared_density(value, degrees), stats.chi2.pdf(value, degrees)),
        (distributions.student_above(tail, degrees), stats.t.isf(tail, degrees)),
    ):
        assert found == pytest.approx(expected, rel=ROUNDING, abs=0)


def test_quantiles_of_many_at_once():
    found = distributions.chi_squared_below([0.025, 0.975], 7)
    assert found == pytest.approx(stats.chi2.ppf([0.025, 0.975], 7), rel=ROUNDING)


@pytest.mark.parametrize("count", [-3, -1, 0, 4, 9, 10, 12])
@pytest.mark.parametrize("probability", [0.0, 1e-6, 0.3, 1.0])
def test_the_tail_of_the_binomial_distribution(count, probability):
    expected = stats.binom.sf(count, 10, probability)
    assert distributions.binomial_tail(count, 10, probability) == pytest.approx(expected, rel=1e-9, abs=0)
