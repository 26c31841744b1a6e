"""Tests every observation of an adjustment for a blunder, and finds several at once.

Source: W. Baarda, "A testing procedure for use in geodetic networks", 1968: the normalised residual w = v / sd(v) of
one observation, for correlated components w = (P v) / sqrt(P Qvv P); the smallest blunder that the test finds with a
given power follows from its non-centrality. The three coordinates of a target are tested one by one and together.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from nightbay.core import distributions
from nightbay.network.model import Adjusted

# Reweighting steps; weights have converged to a few per cent by then (common practice, no source).
REWEIGHTING_STEPS = 12
ROBUST_STEPS = 6
# Share of the redundancy below which a coordinate can't be tested.
REDUNDANCY_MIN = 1e-6
# Blunders nearly as bad as the worst, by this share of its excess, are removed in the same round.
NEARLY_WORST = 0.7


@dataclass(frozen=True)
class Tests:
    """``w`` (n, m) normalised residuals, 0 where nothing can be tested; ``joint`` (n,) the same of all m components
    together, distributed as chi square with m degrees; ``detectable`` (n, m) smallest detectable blunder in the
    observation's unit, inf where none is; ``limit`` of w and ``joint_limit``."""

    w: np.ndarray
    joint: np.ndarray
    detectable: np.ndarray
    limit: float
    joint_limit: float

    @property
    def times_limit(self) -> np.ndarray:
        """(n,) the larger of both test statistics of each observation in units of its limit."""
        return np.maximum(np.abs(self.w).max(axis=1) / self.limit, np.sqrt(self.joint / self.joint_limit))


@dataclass(frozen=True)
class Levels:
    """Of a test: ``significance``, the share of good coordinates that it may suspect; ``power``, the share of blunders
    of the smallest detectable size that it finds; ``variance_factor``, by which all covariances are multiplied."""

    significance: float = 0.001
    power: float = 0.8
    variance_factor: float = 1.0


def test(
    residual: np.ndarray, covariance: np.ndarray, Q_fitted: np.ndarray, active: np.ndarray, levels: Levels = Levels()
) -> Tests:
    """Test observations with residuals (n, m), covariances (n, m, m) and cofactors of the adjusted values (n, m, m).

    Inactive observations are tested as predictions: their own noise and that of the prediction add up. All covariances
    are multiplied by the variance factor of ``levels``.
    """
    covariance, Q_fitted = covariance * levels.variance_factor, Q_fitted * levels.variance_factor
    sign = np.where(active, -1.0, 1.0)[:, None, None]
    Q = covariance + sign * Q_fitted
    weight = np.linalg.inv(covariance)
    m = residual.shape[1]
    w, detectable, joint = np.zeros_like(residual), np.full_like(residual, np.inf), np.zeros(len(residual))
    limit = distributions.normal_above(levels.significance / 2)
    ncp = limit + distributions.normal_above(1 - levels.power)
    # active: P Q P is the cofactor of P v; inactive: the blunder is the residual itself, tested by Q
    cofactor = np.where(active[:, None, None], weight @ Q @ weight, Q)
    value = np.where(active[:, None], np.einsum("nij,nj->ni", weight, residual), residual)
    own = np.einsum("nii->ni", cofactor)
    redundancy = np.einsum("nij,nji->ni", Q, weight)
    testable = redundancy > REDUNDANCY_MIN
    w[testable] = value[testable] / np.sqrt(own[testable])
    blunder_sd = np.where(active[:, None], 1 / np.sqrt(np.where(testable, own, 1.0)), np.sqrt(np.maximum(own, 0)))
    detectable[testable] = ncp * blunder_sd[testable]
    whole = testable.all(axis=1)
    joint[whole] = np.einsum("ni,nij,nj->n", residual[whole], np.linalg.inv(Q[whole]), residual[whole])
    return Tests(w, joint, detectable, float(limit), float(distributions.chi_squared_above(levels.significance, m)))


def typical_variance(tests: Tests) -> tuple[float, float]:
    """Variance factor by the median of the joint tests, which blunders hardly change, and its standard error for
    independent observations."""
    tested = tests.joint[tests.joint > 0]
    if len(tested) == 0:
        return 1.0, np.inf
    m = tests.w.shape[1]
    median = distributions.chi_squared_above(0.5, m)
    return float(np.median(tested) / median), float(
        1 / (2 * np.sqrt(len(tested)) * distributions.chi_squared_density(median, m) * median)
    )


def far_off(
    adjust: Callable[[np.ndarray], Adjusted], active: np.ndarray, covariance: np.ndarray, significance: float = 0.001
) -> np.ndarray:
    """Rows (n,) bool that lie off by more than noise of any size explains, in units of the median residual.

    ``adjust(weight)`` adjusts with covariances divided by ``weight`` (n,). Weights that fall with the length of the
    residual minimise the sum of lengths, in which a few large ones count no more than small ones, whatever the noise.
    """
    weight, m = np.ones(len(active)), covariance.shape[1]
    for _ in range(REWEIGHTING_STEPS):
        adjusted = adjust(weight)
        size = np.einsum("ni,nij,nj->n", adjusted.residual_mm, np.linalg.inv(covariance), adjusted.residual_mm)
        middle = np.median(size[active]) / distributions.chi_squared_above(0.5, m)
        weight = 1 / np.sqrt(np.maximum(size / max(middle, 1e-12), 0.01))
    return active & (size > distributions.chi_squared_above(significance, m) * max(middle, 1.0))


@dataclass(frozen=True)
class Snooped:
    """``adjusted`` without the blunders; ``active`` (n,) bool; ``tests`` there; ``disputed``: pairs of rows of which
    one is wrong, and geometry does not show which."""

    adjusted: Adjusted
    active: np.ndarray
    tests: Tests
    disputed: list[tuple[int, int]]


def snoop(
    adjust: Callable[[np.ndarray, np.ndarray], Adjusted],
    active: np.ndarray,
    covariance: np.ndarray,
    target: np.ndarray,
    keep: np.ndarray,
    levels: Levels = Levels(),
) -> Snooped:
    """Find blunders, however many, by data snooping.

    ``adjust(active, weight)`` adjusts the network with the covariance of each observation divided by ``weight`` (n,)
    and returns a :class:`nightbay.network.model.Adjusted`. ``target`` (n,) is what each row observes,
    ``keep`` (n,) bool the rows that stay when a pair is in dispute (the survey's).

    The start is robust: weights are lowered with the size of the residuals, and all that fail there are removed. Then,
    until nothing changes, the worst of the rest is removed, and removed ones that fit the network are taken back.
    """
    active = active.copy()
    suspect = _robust(adjust, active, covariance * levels.variance_factor, levels.significance)
    active &= ~suspect
    disputed: dict[int, int] = {}
    seen: set[bytes] = set()
    while True:
        adjusted = adjust(active, np.ones(len(active)))
        tests = test(adjusted.residual_mm, covariance, adjusted.Q_fitted, active, levels)
        times_limit = tests.times_limit
        state = active.tobytes()
        back = suspect & ~active & (times_limit < 1)
        if back.any() and state not in seen:
            active = active | back
            disputed = {row: partner for row, partner in disputed.items() if not active[row]}
            seen.add(state)
            continue
        candidates = np.where(active, times_limit, 0.0)
        removed = _worst_apart(candidates, target)
        if len(removed) == 0:
            return Snooped(adjusted, active, tests, sorted(disputed.items()))
        for worst in removed:
            partner = _partner(worst, active, target)
            if partner is not None:
                worst, partner = (partner, worst) if keep[worst] else (worst, partner)
                disputed[worst] = partner
            active[worst] = False
            suspect[worst] = True


def _worst_apart(times_limit: np.ndarray, target: np.ndarray) -> np.ndarray:
    """Rows beyond the limit, the worst first, one a target: those nearly as bad as the worst. One blunder enlarges
    other residuals too; the smaller ones therefore wait for the next round."""
    order = np.argsort(-times_limit, kind="stable")
    order = order[times_limit[order] > 1]
    if len(order) == 0:
        return order
    order = order[times_limit[order] > max(1.0, NEARLY_WORST * times_limit[order[0]])]
    _, first = np.unique(target[order], return_index=True)
    return order[np.sort(first)]


def _partner(row: int, active: np.ndarray, target: np.ndarray) -> int | None:
    """The only other active observation of the same target, or None when there are more or none."""
    others = np.flatnonzero(active & (target == target[row]))
    others = others[others != row]
    return int(others[0]) if len(others) == 1 else None


def _robust(
    adjust: Callable[[np.ndarray, np.ndarray], Adjusted],
    active: np.ndarray,
    covariance: np.ndarray,
    significance: float,
) -> np.ndarray:
    """Rows that fail in an adjustment whose weights fall with the squared residual beyond its 5 % limit."""
    weight = np.ones(len(active))
    for _ in range(ROBUST_STEPS):
        adjusted = adjust(active, weight)
        size = np.einsum("ni,nij,nj->n", adjusted.residual_mm, np.linalg.inv(covariance), adjusted.residual_mm)
        limit = distributions.chi_squared_above(0.05, covariance.shape[1])
        weight = 1 / np.maximum(1.0, size / limit) ** 2
        weight = np.maximum(weight, 1e-6)
    return active & (size > distributions.chi_squared_above(significance, covariance.shape[1]))
