"""Robust linearised fits, and their covariance from leaving out one block of the data at a time (jackknife)."""

from dataclasses import dataclass

import numpy as np

# From the median absolute deviation to the standard deviation of a normal distribution: 1 / (quantile of 3/4).
MAD_TO_SD = 1.4826
# Tuning constant of Tukey's biweight, in standard deviations: 95 % efficient on normal errors (P. Huber, Robust
# Statistics, 1981).
TUKEY_SD = 4.685
# Beyond this condition of the scaled normal matrix the data do not determine the parameters: the change would have
# fewer than four of double precision's sixteen digits.
SINGULAR = 1e12


@dataclass(frozen=True)
class Step:
    """One weighted least-squares step.

    ``change`` (p,) in the units of the parameters; ``covariance`` (p, p) between the blocks (see :func:`step`);
    ``weights`` (n,) in 0..1; ``condition`` of the scaled normal matrix: 1 is best, beyond 1e8 the data hardly
    determine a parameter. Beyond :data:`SINGULAR` the change is zero and the covariance infinite.
    """

    change: np.ndarray
    covariance: np.ndarray
    weights: np.ndarray
    condition: float


def tukey(residuals: np.ndarray, limit: float | np.ndarray) -> np.ndarray:
    """Weights (n,) by Tukey's biweight: 1 at zero, 0 from ``limit`` on.

    ``limit`` is in the units of the residuals, one for all or one each, (n,). An infinite limit gives every residual
    the weight 1.
    """
    share = np.clip(np.abs(residuals) / limit, 0.0, 1.0)
    return (1.0 - share**2) ** 2


def step(jacobian: np.ndarray, residuals: np.ndarray, limit: float | np.ndarray, block: np.ndarray) -> Step:
    """The change of the parameters that reduces ``residuals``, (n,), with the derivatives ``jacobian``, (n, p).

    Residuals beyond ``limit`` have no weight. ``block``, (n,) int from 0, numbers the part of the object that a
    residual belongs to. Residuals of neighbouring points are not independent (a dent, a panel gap), so the covariance
    comes from the delete-one-block jackknife: covariance = (k - 1) / k * sum of (change without block - mean)^2.

    Source of the jackknife: B. Efron, C. Stein, Annals of Statistics 9 (1981) 586.
    """
    weights = tukey(residuals, limit)
    scale = np.sqrt((weights[:, None] * jacobian**2).sum(axis=0))
    scale[scale == 0.0] = 1.0
    normal, right = _normal_equations(jacobian / scale, residuals, weights, block)
    used = [number for number in range(len(normal)) if np.trace(normal[number]) > 0.0]
    size = jacobian.shape[1]
    total, total_right = normal.sum(axis=0), right.sum(axis=0)
    values = np.linalg.eigvalsh(total) if used else np.zeros(size)
    condition = float(values[-1] / values[0]) if values[0] > 0.0 else np.inf
    if condition > SINGULAR:
        return Step(np.zeros(size), np.full((size, size), np.inf), weights, condition)
    change = np.linalg.solve(total, total_right)
    without = np.array([np.linalg.lstsq(total - normal[k], total_right - right[k], rcond=None)[0] for k in used])
    spread = without - without.mean(axis=0)
    covariance = (len(used) - 1) / len(used) * spread.T @ spread if len(used) > 1 else np.full((size, size), np.inf)
    return Step(change / scale, covariance / np.outer(scale, scale), weights, condition)


def _normal_equations(
    rows: np.ndarray, residuals: np.ndarray, weights: np.ndarray, block: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Normal matrix (k, p, p) and right side (k, p) of each block."""
    count = int(block.max()) + 1 if len(block) else 0
    size = rows.shape[1]
    normal, right = np.zeros((count, size, size)), np.zeros((count, size))
    for number in range(count):
        chosen = block == number
        weighted = rows[chosen] * weights[chosen, None]
        normal[number], right[number] = weighted.T @ rows[chosen], -weighted.T @ residuals[chosen]
    return normal, right


def blocks_along(values: np.ndarray, count: int) -> np.ndarray:
    """Number of the block, (n,) int in 0..count - 1, when the range of ``values``, (n,), is divided equally."""
    low, high = float(values.min()), float(values.max())
    return np.minimum(((values - low) * (count / max(high - low, 1e-9))).astype(np.int64), count - 1)
