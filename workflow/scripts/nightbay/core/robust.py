"""Robust linearised fits, and how sure they are, found by leaving out one block of the data at a time."""

from dataclasses import dataclass

import numpy as np

# From the median absolute deviation to the standard deviation of a normal distribution: 1 / (quantile of 3/4).
MAD_TO_SD = 1.4826
# Tuning constant of Tukey's biweight, in standard deviations: 95 % efficient on normal errors (P. Huber, Robust
# Statistics, 1981).
TUKEY_SD = 4.685


@dataclass(frozen=True)
class Step:
    """One weighted least-squares step.

    ``change`` (p,) in the units of the parameters; ``covariance`` (p, p) between the blocks (see :func:`step`);
    ``weights`` (n,) in 0..1; ``condition`` of the scaled normal matrix: 1 is best, beyond 1e8 a parameter is not seen.
    """

    change: np.ndarray
    covariance: np.ndarray
    weights: np.ndarray
    condition: float


def tukey(residuals, limit):
    """Tukey's biweight, (n,): 1 at zero, 0 from ``limit`` on."""
    share = np.clip(np.abs(residuals) / limit, 0.0, 1.0)  # an infinite limit weighs all alike
    return (1.0 - share**2) ** 2


def step(jacobian, residuals, limit, block):
    """The change of the parameters, (p,), that lessens ``residuals``, (n,), whose derivatives are ``jacobian``, (n, p).

    Residuals beyond ``limit`` bear no weight. ``block``, (n,) int from 0, names the part of the object that a residual
    belongs to. Residuals of neighbouring points are not independent (a dent, a panel gap), so the covariance comes from
    the delete-one-block jackknife: covariance = (k - 1) / k * sum of (change without block - mean)^2.

    Source of the jackknife: B. Efron, C. Stein, Annals of Statistics 9 (1981) 586.
    """
    weights = tukey(residuals, limit)
    scale = np.sqrt((weights[:, None] * jacobian**2).sum(axis=0))
    scale[scale == 0.0] = 1.0
    rows = jacobian / scale
    count = int(block.max()) + 1 if len(block) else 0
    size = jacobian.shape[1]
    normal, right = np.zeros((count, size, size)), np.zeros((count, size))
    for one in range(count):
        chosen = block == one
        weighted = rows[chosen] * weights[chosen, None]
        normal[one], right[one] = weighted.T @ rows[chosen], -weighted.T @ residuals[chosen]
    used = [one for one in range(count) if np.trace(normal[one]) > 0.0]
    total, total_right = normal.sum(axis=0), right.sum(axis=0)
    values = np.linalg.eigvalsh(total) if used else np.zeros(size)
    condition = float(values[-1] / values[0]) if values[0] > 0.0 else np.inf
    if condition > 1e12:
        return Step(np.zeros(size), np.full((size, size), np.inf), weights, condition)
    change = np.linalg.solve(total, total_right)
    left_out = np.array([np.linalg.lstsq(total - normal[k], total_right - right[k], rcond=None)[0] for k in used])
    spread = left_out - left_out.mean(axis=0)
    covariance = (len(used) - 1) / len(used) * spread.T @ spread if len(used) > 1 else np.full((size, size), np.inf)
    return Step(change / scale, covariance / np.outer(scale, scale), weights, condition)


def blocks_along(values, count):
    """Number of the block, (n,) int in 0..count - 1, when the range of ``values``, (n,), is cut into equal lengths."""
    low, high = float(values.min()), float(values.max())
    return np.minimum(((values - low) * (count / max(high - low, 1e-9))).astype(np.int64), count - 1)
