"""Tests every observation of an adjustment for a blunder, and finds several at once.

Source: W. Baarda, "A testing procedure for use in geodetic networks", 1968: the normalised residual w = v / sd(v) of
one observation, for correlated components w = (P v) / sqrt(P Qvv P); the smallest blunder that the test finds with a
given power follows from its non-centrality. The three coordinates of a target are tested one by one and together.
"""

from dataclasses import dataclass

import numpy as np
from scipy import stats

RELATED = 0.9  # correlation of two tests above which a blunder in one can't be told from one in the other


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
    def excess(self):
        """(n,) how far each observation is beyond its limit, 1 at the limit, by the worse of both tests."""
        return np.maximum(np.abs(self.w).max(axis=1) / self.limit, np.sqrt(self.joint / self.joint_limit))


def test(residual, covariance, Q_fitted, active, significance=0.001, power=0.8, variance_factor=1.0):
    """Test observations with residuals (n, m), covariances (n, m, m) and cofactors of the adjusted values (n, m, m).

    Inactive observations are tested as predictions: their own noise and that of the prediction add up. All covariances
    are multiplied by ``variance_factor``.
    """
    covariance, Q_fitted = covariance * variance_factor, Q_fitted * variance_factor
    sign = np.where(active, -1.0, 1.0)[:, None, None]
    Q = covariance + sign * Q_fitted
    weight = np.linalg.inv(covariance)
    m = residual.shape[1]
    w, detectable, joint = np.zeros_like(residual), np.full_like(residual, np.inf), np.zeros(len(residual))
    limit = stats.norm.isf(significance / 2)
    ncp = limit + stats.norm.ppf(power)
    # active: P Q P is the cofactor of P v; inactive: the blunder is the residual itself, tested by Q
    cofactor = np.where(active[:, None, None], weight @ Q @ weight, Q)
    value = np.where(active[:, None], np.einsum("nij,nj->ni", weight, residual), residual)
    own = np.einsum("nii->ni", cofactor)
    redundancy = np.einsum("nij,nji->ni", Q, weight)
    testable = redundancy > 1e-6
    w[testable] = value[testable] / np.sqrt(own[testable])
    blunder_sd = np.where(active[:, None], 1 / np.sqrt(np.where(testable, own, 1.0)), np.sqrt(np.maximum(own, 0)))
    detectable[testable] = ncp * blunder_sd[testable]
    whole = testable.all(axis=1)
    joint[whole] = np.einsum("ni,nij,nj->n", residual[whole], np.linalg.inv(Q[whole]), residual[whole])
    return Tests(w, joint, detectable, float(limit), float(stats.chi2.isf(significance, m)))


def typical_variance(tests):
    """Variance factor that the middle of the joint tests shows, which blunders hardly touch, and its standard error
    for independent observations."""
    tested = tests.joint[tests.joint > 0]
    if len(tested) == 0:
        return 1.0, np.inf
    m = tests.w.shape[1]
    median = stats.chi2.median(m)
    return float(np.median(tested) / median), float(1 / (2 * np.sqrt(len(tested)) * stats.chi2.pdf(median, m) * median))


def far_off(adjust, active, covariance, significance=0.001):
    """Rows (n,) bool that lie off by more than noise of any size explains, told against the middle of all residuals.

    ``adjust(weight)`` adjusts with covariances divided by ``weight`` (n,). Weights that fall with the length of the
    residual make the sum of lengths least, in which a few large ones have no more say than small ones, whatever the
    noise.
    """
    weight, m = np.ones(len(active)), covariance.shape[1]
    for _ in range(12):
        adjusted = adjust(weight)
        size = np.einsum("ni,nij,nj->n", adjusted.residual_mm, np.linalg.inv(covariance), adjusted.residual_mm)
        middle = np.median(size[active]) / stats.chi2.median(m)
        weight = 1 / np.sqrt(np.maximum(size / max(middle, 1e-12), 0.01))
    return active & (size > stats.chi2.isf(significance, m) * max(middle, 1.0))


@dataclass(frozen=True)
class Snooped:
    """``adjusted`` without the blunders; ``active`` (n,) bool; ``tests`` there; ``disputed``: pairs of rows of which
    one is wrong and geometry can't tell which."""

    adjusted: object
    active: np.ndarray
    tests: Tests
    disputed: list


def snoop(adjust, active, covariance, target, keep, significance=0.001, power=0.8, variance_factor=1.0):
    """Find blunders, however many.

    ``adjust(active, weight)`` adjusts the network with the covariance of each observation divided by ``weight`` (n,)
    and returns a :class:`nightbay.network.model.Adjusted`. ``target`` (n,) is what each row observes,
    ``keep`` (n,) bool the rows that stay when a pair is in dispute (the survey's).

    The start is robust: weights are lowered with the size of the residuals until the large ones have little say, and
    all that fail there are set aside. Then, until nothing changes, the worst of the rest is set aside and those are
    taken back that fit the network without them.
    """
    active = active.copy()
    suspect = _robust(adjust, active, covariance * variance_factor, significance)
    active &= ~suspect
    disputed, seen = {}, set()
    while True:
        adjusted = adjust(active, np.ones(len(active)))
        tests = test(adjusted.residual_mm, covariance, adjusted.Q_fitted, active, significance, power, variance_factor)
        excess = tests.excess
        state = active.tobytes()
        back = suspect & ~active & (excess < 1)
        if back.any() and state not in seen:
            active = active | back
            disputed = {row: partner for row, partner in disputed.items() if not active[row]}
            seen.add(state)
            continue
        candidates = np.where(active, excess, 0.0)
        out = _worst_apart(candidates, target)
        if len(out) == 0:
            return Snooped(adjusted, active, tests, sorted(disputed.items()))
        for worst in out:
            partner = _partner(worst, active, target)
            if partner is not None:
                worst, partner = (partner, worst) if keep[worst] else (worst, partner)
                disputed[worst] = partner
            active[worst] = False
            suspect[worst] = True


def _worst_apart(excess, target):
    """Rows beyond the limit, the worst first, that hardly touch each other: those nearly as bad as the worst, one a
    target. One blunder drags others along, so the lesser ones wait for the next round."""
    order = np.argsort(-excess, kind="stable")
    order = order[excess[order] > 1]
    if len(order) == 0:
        return []
    order = order[excess[order] > max(1.0, 0.7 * excess[order[0]])]
    _, first = np.unique(target[order], return_index=True)
    return order[np.sort(first)]


def _partner(row, active, target):
    """The only other active observation of the same target, or None when there are more or none."""
    others = np.flatnonzero(active & (target == target[row]))
    others = others[others != row]
    return int(others[0]) if len(others) == 1 else None


def _robust(adjust, active, covariance, significance):
    """Rows that fail in an adjustment whose weights fall with the inverse of their own excess squared."""
    weight = np.ones(len(active))
    for _ in range(6):
        adjusted = adjust(active, weight)
        size = np.einsum("ni,nij,nj->n", adjusted.residual_mm, np.linalg.inv(covariance), adjusted.residual_mm)
        limit = stats.chi2.isf(0.05, covariance.shape[1])
        weight = 1 / np.maximum(1.0, size / limit) ** 2
        weight = np.maximum(weight, 1e-6)
    return active & (size > stats.chi2.isf(significance, covariance.shape[1]))
