"""Least-squares adjustment in the sense of geodesy: estimates, covariances, redundancy, variance factor.

Unknowns come in two kinds. Local ones, q a group (a target's coordinates), are met by the observations of their own
group only; shared ones, p (poses, scales, heights), by any. Eliminating the local ones first, group by group, is the
sparse part; what is left is a dense system of the size of the shared ones.

Source of the notation: W. Baarda, "A testing procedure for use in geodetic networks", 1968. A residual is adjusted
minus observed.
"""

from dataclasses import dataclass

import numpy as np
from scipy import stats


class Undetermined(ValueError):
    """The observations leave at least one unknown without a value."""


@dataclass(frozen=True)
class Equations:
    """Linearised observations, n of them with m components each.

    ``misclosure`` (n, m) observed minus computed; ``covariance`` (n, m, m) of an observation; ``shared`` (n, m, p)
    derivatives of the computed value by the shared unknowns; ``local`` (n, m, q) by those of the group ``group`` (n,);
    ``active`` (n,) bool, an inactive observation is predicted but has no say.
    """

    misclosure: np.ndarray
    covariance: np.ndarray
    shared: np.ndarray
    local: np.ndarray | None = None
    group: np.ndarray | None = None
    active: np.ndarray | None = None


@dataclass(frozen=True)
class Solution:
    """One solved adjustment; cofactors are for a variance factor of one.

    ``step_shared`` (p,), ``step_local`` (g, q); ``Q_shared`` (p, p), ``Q_local`` (g, q, q), ``Q_cross`` (g, q, p);
    ``residual`` (n, m); ``Q_fitted`` (n, m, m) of the adjusted observations; ``redundancy`` (n, m), 0 for inactive
    ones; ``vtpv`` the weighted sum of squares and ``freedom`` its degrees of freedom.
    """

    step_shared: np.ndarray
    step_local: np.ndarray
    Q_shared: np.ndarray
    Q_local: np.ndarray
    Q_cross: np.ndarray
    residual: np.ndarray
    Q_fitted: np.ndarray
    redundancy: np.ndarray
    vtpv: float
    freedom: int

    @property
    def variance_factor(self):
        """A posteriori variance of unit weight, nan without redundancy."""
        return self.vtpv / self.freedom if self.freedom > 0 else float("nan")


def solve(equations, groups=0, datum=None):
    """Solve one linear step.

    ``groups`` is the number of local groups; ``datum`` (p, d) holds the conditions ``datum.T @ step_shared = 0`` of a
    network that the observations leave free to move (inner constraints).

    Raises :class:`Undetermined` when observations and datum leave something open.
    """
    n, m, p = equations.shared.shape
    active = np.ones(n, bool) if equations.active is None else equations.active
    weight = np.linalg.inv(equations.covariance) * active[:, None, None]
    B = equations.shared
    WB = weight @ B
    N = np.einsum("nmi,nmj->ij", B, WB, optimize=True)
    rhs = np.einsum("nmi,nm->i", WB, equations.misclosure, optimize=True)
    if groups:
        local = _eliminate(equations, weight, WB, groups, active)
        N = N - np.einsum("gqi,gqj->ij", local.C, local.K, optimize=True)
        rhs = rhs - np.einsum("gqi,gq->i", local.K, local.rhs, optimize=True)
    Q = _invert(N, datum)
    step = Q @ rhs
    if groups:
        step_local = np.einsum("gqr,gr->gq", local.inverse, local.rhs) - local.K @ step
        KQ = local.K @ Q
        Q_cross = -KQ
        Q_local = local.inverse + KQ @ local.K.transpose(0, 2, 1)
        unknowns = p + int(local.met.sum()) * local.rhs.shape[1]
    else:
        step_local, Q_local, Q_cross, unknowns = np.empty((0, 0)), np.empty((0, 0, 0)), np.empty((0, 0, p)), p
    change = B @ step
    Q_fitted = B @ Q @ B.transpose(0, 2, 1)
    if groups:
        A, at = equations.local, equations.group
        change = change + np.einsum("nmq,nq->nm", A, step_local[at])
        mixed = A @ Q_cross[at] @ B.transpose(0, 2, 1)
        Q_fitted = Q_fitted + mixed + mixed.transpose(0, 2, 1) + A @ Q_local[at] @ A.transpose(0, 2, 1)
    residual = change - equations.misclosure
    redundancy = (1 - np.einsum("nij,nji->ni", Q_fitted, weight)) * active[:, None]
    conditions = 0 if datum is None else datum.shape[1]
    return Solution(
        step, step_local, Q, Q_local, Q_cross, residual, Q_fitted, redundancy,
        vtpv=float(np.einsum("ni,nij,nj->", residual, weight, residual, optimize=True)),
        freedom=int(active.sum()) * m - unknowns + conditions,
    )  # fmt: skip


@dataclass(frozen=True)
class _Eliminated:
    inverse: np.ndarray  # (g, q, q) inverse of each group's own normal matrix
    C: np.ndarray  # (g, q, p) its part shared with the poses
    K: np.ndarray  # (g, q, p) inverse @ C
    rhs: np.ndarray  # (g, q)
    met: np.ndarray  # (g,) has any active observation


def _eliminate(equations, weight, WB, groups, active):
    A, at = equations.local, equations.group
    q = A.shape[2]
    WA = weight @ A
    own = np.zeros((groups, q, q))
    np.add.at(own, at, A.transpose(0, 2, 1) @ WA)
    C = np.zeros((groups, q, WB.shape[2]))
    np.add.at(C, at, A.transpose(0, 2, 1) @ WB)
    rhs = np.zeros((groups, q))
    np.add.at(rhs, at, np.einsum("nmq,nm->nq", WA, equations.misclosure))
    met = np.zeros(groups, bool)
    met[at[active]] = True
    own[~met] = np.eye(q)  # nothing is known of such a group; its step stays zero and nobody reads its cofactors
    inverse = np.linalg.inv(own)
    return _Eliminated(inverse, C, inverse @ C, rhs, met)


def _invert(N, datum):
    """Inverse of the normal matrix under the datum's conditions; scaled first, since radians and millimetres differ."""
    if len(N) == 0:
        return N
    scale = 1 / np.sqrt(np.where(np.diag(N) > 0, np.diag(N), 1.0))
    scaled = N * scale[:, None] * scale[None, :]
    if datum is not None:
        H = datum * scale[:, None]  # the same conditions, on the scaled step
        H = H / np.linalg.norm(H, axis=0)
        d = datum.shape[1]
        bordered = np.block([[scaled, H], [H.T, np.zeros((d, d))]])
        if np.linalg.cond(bordered) > 1e12:
            raise Undetermined("the datum does not hold what the observations leave open")
        Q = np.linalg.inv(bordered)[: len(N), : len(N)]
    else:
        lowest = np.linalg.eigvalsh(scaled)[0]
        if not lowest > 1e-12:
            raise Undetermined("the observations leave at least one unknown open")
        Q = np.linalg.inv(scaled)
    Q = (Q + Q.T) / 2
    return Q * scale[:, None] * scale[None, :]


def iterate(linearise, advance, state, *, groups=0, datum=None, steps=30, tolerance=1e-10):
    """Gauss-Newton: returns the state at the minimum and the :class:`Solution` there.

    ``linearise(state)`` gives :class:`Equations`; ``advance(state, step_shared, step_local)`` the next state. It ends
    when a step changes the fitted observations by less than ``tolerance`` of their standard deviations.

    Raises RuntimeError when it does not end.
    """
    for _ in range(steps):
        equations = linearise(state)
        solution = solve(equations, groups, datum)
        sd = np.sqrt(np.einsum("nii->ni", equations.covariance))
        change = np.abs(solution.residual + equations.misclosure) / sd
        state = advance(state, solution.step_shared, solution.step_local)
        if change.size == 0 or change.max() < tolerance:
            return state, solution
    raise RuntimeError(f"the adjustment did not converge in {steps} steps, last change {change.max():.2g} sd")


def chi_square_test(solution, significance=0.05):
    """Two-sided test of the variance factor against one; None without redundancy.

    Returns ``{"variance_factor", "low", "high", "passed", "freedom", "significance"}``.
    """
    if solution.freedom <= 0:
        return None
    low, high = stats.chi2.ppf([significance / 2, 1 - significance / 2], solution.freedom) / solution.freedom
    factor = solution.variance_factor
    return {
        "variance_factor": factor,
        "low": float(low),
        "high": float(high),
        "passed": bool(low <= factor <= high),
        "freedom": solution.freedom,
        "significance": significance,
    }
