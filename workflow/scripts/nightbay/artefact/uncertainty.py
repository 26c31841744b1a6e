"""Uncertainties of fits and of forms whose points are not independent of each other."""

from collections.abc import Callable, Mapping, Sequence

import numpy as np
from scipy import stats

from nightbay.artefact.result import CONFIDENCE

# Patches of a surface that are left out or drawn in turn. Errors of neighbouring points are alike; over a patch, a
# sixth of a sphere's width, they are not (field of view and texture of scanners: common practice, no source).
PATCHES = 24
DRAWS = 200  # of the bootstrap: its own error is then 5 % of the uncertainty


def of_fit(rows: np.ndarray, residuals_mm: np.ndarray, patch: np.ndarray) -> tuple[np.ndarray, float]:
    """Covariance (p, p) of least-squares parameters, and its degrees of freedom.

    ``rows`` (n, p): derivatives of the ``residuals_mm`` (n,) at the solution; ``patch`` (n,) int from 0. The
    delete-one-patch jackknife, or the formal covariance where that is larger: B. Efron, C. Stein, Annals of Statistics
    9 (1981) 586.
    """
    normal = rows.T @ rows
    inverse = np.linalg.inv(normal)
    degrees_of_freedom = len(rows) - rows.shape[1]
    formal = inverse * float(residuals_mm @ residuals_mm) / max(degrees_of_freedom, 1)
    changes = []
    for number in np.unique(patch):
        own = patch == number
        without = normal - rows[own].T @ rows[own]
        changes.append(np.linalg.solve(without, rows[own].T @ residuals_mm[own]))
    spread = np.array(changes) - np.mean(changes, axis=0)
    between = (len(changes) - 1) / len(changes) * spread.T @ spread
    larger = np.trace(between @ normal) > np.trace(formal @ normal)
    return (
        (between, float(max(len(changes) - rows.shape[1], 1)))
        if larger
        else (formal, float(max(degrees_of_freedom, 1)))
    )


def of_width(residuals_mm: np.ndarray, patch: np.ndarray, width: Callable[[np.ndarray], float]) -> float:
    """Standard deviation of ``width(residuals)``, mm, when the patches are drawn again with replacement.

    The generator has a fixed seed: the same points give the same number.
    """
    order = np.argsort(patch, kind="stable")
    bounds = np.flatnonzero(np.diff(patch[order], prepend=-1))
    groups = np.split(residuals_mm[order], bounds[1:])
    rng = np.random.default_rng(0)
    drawn = [
        width(np.concatenate([groups[number] for number in rng.integers(0, len(groups), len(groups))]))
        for _ in range(DRAWS)
    ]
    return float(np.std(drawn, ddof=1))


def of_noise(residuals_mm: np.ndarray, patch: np.ndarray, parameters: int) -> tuple[float, float]:
    """Standard deviation of a point and its own standard uncertainty, mm, from the scatter of the patches'
    variances."""
    count = len(residuals_mm)
    variance = float(residuals_mm @ residuals_mm) / max(count - parameters, 1)
    many = np.bincount(patch)
    sums = np.bincount(patch, residuals_mm**2)[many > 0]
    many = many[many > 0]
    # ratio estimator over the patches: W. Cochran, Sampling Techniques (1977), chapter 6
    error = np.sqrt(len(many) / max(len(many) - 1, 1) * np.sum((sums - variance * many) ** 2)) / count
    sd_mm = float(np.sqrt(variance))
    return sd_mm, float(error / max(2.0 * sd_mm, 1e-12))


def expanded(budget_mm: Mapping[str, float], degrees_of_freedom: Mapping[str, float]) -> tuple[float, float]:
    """Expanded uncertainty, mm, and its coverage factor, by Student's t with the effective degrees of freedom of Welch
    and Satterthwaite (GUM, annex G); a cause that ``degrees_of_freedom`` does not name has no end of them."""
    combined = float(np.sqrt(sum(value**2 for value in budget_mm.values())))
    weak = sum(budget_mm[cause] ** 4 / degrees for cause, degrees in degrees_of_freedom.items())
    effective = combined**4 / weak if weak > 0.0 else np.inf
    coverage = float(stats.t.ppf(0.5 + CONFIDENCE / 2, max(effective, 1.0)))
    return coverage * combined, coverage


def pooled(each: Sequence[float], variances: Sequence[float]) -> float:
    """Effective degrees of freedom of a sum of ``variances`` with degrees of freedom of ``each``."""
    weak = sum(variance**2 / degrees for variance, degrees in zip(variances, each, strict=True))
    return float(sum(variances) ** 2 / weak) if weak > 0.0 else np.inf
