"""Checks the scale of a network with bars of certified length, and says what temperature does to lengths."""

from dataclasses import dataclass

import numpy as np
from scipy import stats

REFERENCE_C = 20.0  # ISO 1
TEMPERATURE_SD_K = 1.0  # of a body's temperature, read by contact in one or two places (common practice, no source)

# Coefficients of expansion, 1/K: lowest and highest of what handbooks give (values from memory); the plastic is
# polypropylene, and a mixed body may follow any of its metals.
EXPANSION_PER_K = {
    "steel": (11e-6, 12e-6),
    "aluminium": (23e-6, 24e-6),
    "plastic": (100e-6, 150e-6),
    "mixed": (11e-6, 24e-6),
}


@dataclass(frozen=True)
class Bar:
    """A certified length and its measured one, mm, with standard deviations; ``w`` their normalised difference."""

    ends: tuple
    certified_mm: float
    certified_sd_mm: float
    measured_mm: float
    measured_sd_mm: float
    w: float
    passed: bool


def length(adjusted, i, j, variance_factor=1.0):
    """Distance of two adjusted targets and its standard deviation, mm, from all covariances between both."""
    solution = adjusted.solution
    difference = adjusted.xyz_mm[i] - adjusted.xyz_mm[j]
    measured = float(np.linalg.norm(difference))
    cross = np.zeros((3, 3))
    if len(solution.Q_shared):
        cross = solution.Q_cross[i] @ np.linalg.solve(solution.Q_shared, solution.Q_cross[j].T)
    Q = adjusted.covariance_mm2[i] + adjusted.covariance_mm2[j] - cross - cross.T
    along = difference / measured
    return measured, float(np.sqrt(max(along @ Q @ along, 0.0) * variance_factor))


def check_bar(ends, certified_mm, certified_sd_mm, measured_mm, measured_sd_mm, significance=0.05):
    """The :class:`Bar` of one certified length; two-sided test of its difference."""
    w = (measured_mm - certified_mm) / np.hypot(certified_sd_mm, measured_sd_mm)
    passed = abs(w) <= stats.norm.isf(significance / 2)
    return Bar(ends, certified_mm, certified_sd_mm, measured_mm, measured_sd_mm, float(w), bool(passed))


def factor(bars):
    """What measured lengths are multiplied by to agree with all bars, and its standard deviation.

    Bars that disagree by more than their uncertainties widen it by the root of their variance factor.
    """
    ratio = np.array([bar.certified_mm / bar.measured_mm for bar in bars])
    sd = np.array([np.hypot(bar.certified_sd_mm, bar.measured_sd_mm) / bar.measured_mm for bar in bars])
    weight = 1 / sd**2
    mean = float(np.average(ratio, weights=weight))
    misfit = (weight * (ratio - mean) ** 2).sum() / max(len(bars) - 1, 1)
    return mean, float(np.sqrt(max(misfit, 1.0) / weight.sum()))


def to_reference(temperature_c, material):
    """What lengths of a body at a temperature are multiplied by to be those at 20 degrees Celsius (ISO 1).

    Returns the factor and its standard uncertainty: the range of coefficients taken as evenly spread, and the
    temperature known to :data:`TEMPERATURE_SD_K`.
    """
    low, high = EXPANSION_PER_K[material]
    middle, half = (low + high) / 2, (high - low) / 2
    rise = temperature_c - REFERENCE_C
    return 1 / (1 + middle * rise), float(np.hypot(rise * half / np.sqrt(3), middle * TEMPERATURE_SD_K))
