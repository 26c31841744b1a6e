"""Quantiles and tails of the normal, chi-squared, Student's t and binomial distributions.

By the functions of scipy.special alone: scipy.stats computes the same by them, but its import takes longer than all
else that a small stage loads, and every stage is a process of its own.
"""

import numpy as np
from numpy.typing import ArrayLike
from scipy import special


def normal_above(tail: float) -> float:
    """The value that a standard normal variable exceeds with probability ``tail``."""
    return float(-special.ndtri(tail))


def chi_squared_below(share: ArrayLike, degrees: ArrayLike) -> np.ndarray:
    """The value below which a chi-squared variable with so many degrees of freedom lies with probability ``share``."""
    return 2 * special.gammaincinv(np.asarray(degrees) / 2, share)


def chi_squared_above(tail: ArrayLike, degrees: ArrayLike) -> np.ndarray:
    """The value that a chi-squared variable with so many degrees of freedom exceeds with probability ``tail``."""
    return special.chdtri(degrees, tail)


def chi_squared_tail(value: ArrayLike, degrees: ArrayLike) -> np.ndarray:
    """The probability that a chi-squared variable with so many degrees of freedom exceeds ``value``."""
    return special.chdtrc(degrees, value)


def chi_squared_density(value: ArrayLike, degrees: int) -> np.ndarray:
    """The probability density of a chi-squared variable with so many degrees of freedom at ``value`` > 0."""
    half = degrees / 2
    return np.exp(special.xlogy(half - 1, value) - np.asarray(value) / 2 - special.gammaln(half) - half * np.log(2))


def student_above(tail: float, degrees: float) -> float:
    """The value that Student's t with so many degrees of freedom, also without end, exceeds with probability
    ``tail``."""
    return normal_above(tail) if np.isinf(degrees) else float(-special.stdtrit(degrees, tail))


def binomial_tail(count: float, trials: int, probability: float) -> float:
    """The probability of more than ``count`` successes in so many trials."""
    if count < 0:
        return 1.0
    return float(special.bdtrc(count, trials, probability)) if count < trials else 0.0
