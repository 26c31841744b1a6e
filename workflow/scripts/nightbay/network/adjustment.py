"""Least-squares adjustment in the sense of geodesy: estimates, covariances, redundancy, variance factor.

Unknowns are of two kinds. Local ones, q for each group (a target's coordinates), appear only in the observations of
their group; shared ones, p in all (poses, scales, heights), appear in any. The local ones are eliminated first, group
by group, which uses the sparsity; a dense system of the size of the shared ones remains.

Source of the notation: W. Baarda, "A testing procedure for use in geodetic networks", 1968. A residual is adjusted
minus observed.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from nightbay.core import distributions
from nightbay.network.result import VarianceFactor

State = TypeVar("State")

# Beyond this condition of the scaled normal matrix, double precision leaves four digits of an unknown: it is taken as
# undetermined (common practice, no source).
CONDITION_MAX = 1e12


class Undetermined(ValueError):
    """The observations leave at least one unknown without a value."""


@dataclass(frozen=True)
class Equations:
    """Linearised observations, n of them with m components each.

    ``misclosure`` (n, m) observed minus computed; ``covariance`` (n, m, m) of an observation; ``shared`` (n, m, k)
    derivatives of the computed value by the k shared unknowns that the observation meets, ``columns`` (n, k) which of
    them, -1 for none (default: all, in order); ``local`` (n, m, q) by the unknowns of the group ``group`` (n,);
    ``active`` (n,) bool, an inactive observation is predicted but does not take part. ``prior`` (p, 2):
    for each shared unknown the weight of its prior value, 0 for none, and that value minus the present one.
    """

    misclosure: np.ndarray
    covariance: np.ndarray
    shared: np.ndarray
    columns: np.ndarray | None = None
    local: np.ndarray | None = None
    group: np.ndarray | None = None
    active: np.ndarray | None = None
    prior: np.ndarray | None = None


@dataclass(frozen=True)
class Solution:
    """One solved adjustment; cofactors are for a variance factor of one.

    ``step_shared`` (p,), ``step_local`` (g, q); ``Q_shared`` (p, p), ``Q_local`` (g, q, q), ``Q_cross`` (g, q, p);
    ``residual`` (n, m); ``Q_fitted`` (n, m, m) of the adjusted observations; ``redundancy`` (n, m), 0 for inactive
    ones; ``vtpv`` the weighted sum of squares (v' P v) and ``degrees_of_freedom`` its redundancy.
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
    degrees_of_freedom: int

    @property
    def variance_factor(self) -> float:
        """A posteriori variance of unit weight, nan without redundancy."""
        return self.vtpv / self.degrees_of_freedom if self.degrees_of_freedom > 0 else float("nan")


def solve(equations: Equations, groups: int = 0, datum: np.ndarray | None = None) -> Solution:
    """Solve one linear step, with all cofactors.

    ``groups`` is the number of local groups; ``datum`` (p, d) holds the conditions ``datum.T @ step_shared = 0`` of a
    network that the observations leave free to move (inner constraints).

    Raises :class:`Undetermined` when observations and datum leave an unknown undetermined.
    """
    step = _step(equations, groups, datum)
    B, active, Q = equations.shared, step.active, _padded(step.Q)
    m, p = B.shape[1], len(step.Q)
    columns = step.columns
    Q_fitted = B @ Q[columns[:, :, None], columns[:, None, :]] @ B.transpose(0, 2, 1)
    Q_local, Q_cross, unknowns = np.empty((0, 0, 0)), np.empty((0, 0, p)), p
    if step.eliminated is not None:
        local = step.eliminated
        A, at = local.derivatives, local.group
        Q_cross = -(local.K.reshape(-1, p) @ step.Q).reshape(local.K.shape)
        Q_local = local.inverse - Q_cross @ local.K.transpose(0, 2, 1)
        met = np.concatenate([Q_cross, np.zeros((*Q_cross.shape[:2], 1))], axis=2)
        met = met[at[:, None, None], np.arange(A.shape[2])[None, :, None], columns[:, None, :]]
        mixed = A @ met @ B.transpose(0, 2, 1)
        Q_fitted = Q_fitted + mixed + mixed.transpose(0, 2, 1) + A @ Q_local[at] @ A.transpose(0, 2, 1)
        unknowns = p + int(local.met.sum()) * A.shape[2]
    residual = step.change - equations.misclosure
    conditions = 0 if datum is None else datum.shape[1]
    known = np.zeros((p, 2)) if equations.prior is None else equations.prior
    return Solution(
        step.shared,
        step.local,
        step.Q,
        Q_local,
        Q_cross,
        residual,
        Q_fitted,
        redundancy=(1 - (Q_fitted * step.weight).sum(axis=2)) * active[:, None],
        vtpv=float(
            (residual * (step.weight @ residual[:, :, None])[:, :, 0]).sum()
            + (known[:, 0] * (step.shared - known[:, 1]) ** 2).sum()
        ),
        degrees_of_freedom=int(active.sum()) * m + int((known[:, 0] > 0).sum()) - unknowns + conditions,
    )


@dataclass(frozen=True)
class _Step:
    shared: np.ndarray  # (p,)
    local: np.ndarray  # (g, q)
    change: np.ndarray  # (n, m) of the fitted observations
    Q: np.ndarray  # (p, p)
    weight: np.ndarray  # (n, m, m), zero for inactive observations
    active: np.ndarray
    columns: np.ndarray  # (n, k), p where an observation meets no unknown
    eliminated: "_Eliminated | None"


def _padded(square: np.ndarray) -> np.ndarray:
    """The matrix with one row and column of zeros more, which index p of an absent unknown leads to."""
    return np.pad(square, ((0, 1), (0, 1)))


def _step(equations: Equations, groups: int, datum: np.ndarray | None) -> _Step:
    B = equations.shared
    n, m, k = B.shape
    columns = np.tile(np.arange(k), (n, 1)) if equations.columns is None else equations.columns
    p = int(columns.max(initial=-1)) + 1 if equations.prior is None else len(equations.prior)
    columns = np.where(columns < 0, p, columns)
    active = np.ones(n, bool) if equations.active is None else equations.active
    weight = np.linalg.inv(equations.covariance) * active[:, None, None]
    Bt_weight = B.transpose(0, 2, 1) @ weight
    N = _sum((columns[:, :, None] * (p + 1) + columns[:, None, :]), Bt_weight @ B, (p + 1) ** 2)
    N = N.reshape(p + 1, p + 1)[:p, :p]
    rhs = _sum(columns, (Bt_weight @ equations.misclosure[:, :, None])[:, :, 0], p + 1)[:p]
    if equations.prior is not None:
        N[np.arange(p), np.arange(p)] += equations.prior[:, 0]
        rhs = rhs + equations.prior[:, 0] * equations.prior[:, 1]
    local = None
    if groups:
        local = _eliminate(equations, weight, columns, p, groups)
        C, K = local.C.reshape(-1, p), local.K.reshape(-1, p)
        N = N - C.T @ K
        rhs = rhs - K.T @ local.rhs.ravel()
    Q = _invert(N, datum)
    step = Q @ rhs
    change = (B @ np.append(step, 0.0)[columns][:, :, None])[:, :, 0]
    step_local = np.empty((0, 0))
    if local is not None:
        step_local = (local.inverse @ local.rhs[:, :, None])[:, :, 0] - local.K @ step
        change = change + (local.derivatives @ step_local[local.group][:, :, None])[:, :, 0]
    return _Step(step, step_local, change, Q, weight, active, columns, local)


def _sum(index: np.ndarray, values: np.ndarray, size: int) -> np.ndarray:
    """Values summed by their index, always in the same order."""
    return np.bincount(index.ravel(), values.ravel(), size)


@dataclass(frozen=True)
class _Eliminated:
    derivatives: np.ndarray  # (n, m, q) by the unknowns of each observation's group
    group: np.ndarray  # (n,)
    inverse: np.ndarray  # (g, q, q) inverse of each group's own normal matrix
    C: np.ndarray  # (g, q, p) its part shared with the poses
    K: np.ndarray  # (g, q, p) inverse @ C
    rhs: np.ndarray  # (g, q)
    met: np.ndarray  # (g,) has any active observation


def _eliminate(equations: Equations, weight: np.ndarray, columns: np.ndarray, p: int, groups: int) -> _Eliminated:
    if equations.local is None or equations.group is None:
        raise ValueError("local groups need their derivatives and the group of each observation")
    A, at = equations.local, equations.group
    active = np.ones(len(A), bool) if equations.active is None else equations.active
    q = A.shape[2]
    At_weight = A.transpose(0, 2, 1) @ weight
    row = at[:, None] * q + np.arange(q)
    own = _sum(row[:, :, None] * q + np.arange(q), At_weight @ A, groups * q * q).reshape(groups, q, q)
    C = _sum(row[:, :, None] * (p + 1) + columns[:, None, :], At_weight @ equations.shared, groups * q * (p + 1))
    C = np.ascontiguousarray(C.reshape(groups, q, p + 1)[:, :, :p])
    rhs = _sum(row, (At_weight @ equations.misclosure[:, :, None])[:, :, 0], groups * q).reshape(groups, q)
    met = np.bincount(at[active], minlength=groups) > 0
    own[~met] = np.eye(q)  # a group without observations: its step stays zero, its cofactors have no meaning
    inverse = np.linalg.inv(own)
    return _Eliminated(A, at, inverse, C, inverse @ C, rhs, met)


def _invert(N: np.ndarray, datum: np.ndarray | None) -> np.ndarray:
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
        if np.linalg.cond(bordered) > CONDITION_MAX:
            raise Undetermined("the datum does not fix what the observations leave undetermined")
        Q = np.linalg.inv(bordered)[: len(N), : len(N)]
    else:
        lowest = np.linalg.eigvalsh(scaled)[0]
        if not lowest > 1 / CONDITION_MAX:
            raise Undetermined("the observations leave at least one unknown undetermined")
        Q = np.linalg.inv(scaled)
    Q = (Q + Q.T) / 2
    return Q * scale[:, None] * scale[None, :]


def iterate(
    linearise: Callable[[State], Equations],
    advance: Callable[[State, np.ndarray, np.ndarray], State],
    state: State,
    *,
    groups: int = 0,
    datum: np.ndarray | None = None,
    steps: int = 30,
    tolerance: float = 1e-6,
) -> tuple[State, Solution]:
    """Gauss-Newton: returns the state at the minimum and the :class:`Solution` there.

    ``linearise(state)`` gives :class:`Equations`; ``advance(state, step_shared, step_local)`` the next state. It ends
    when a step changes the fitted observations by less than ``tolerance`` of their standard deviations.

    Raises :class:`Undetermined` when it does not converge, as happens where noise leaves an unknown undetermined.
    """
    for _ in range(steps):
        equations = linearise(state)
        step = _step(equations, groups, datum)
        sd = np.sqrt(np.einsum("nii->ni", equations.covariance))
        change = np.abs(step.change) / sd
        state = advance(state, step.shared, step.local)
        if change.size == 0 or change.max() < tolerance:
            return state, solve(linearise(state), groups, datum)
    raise Undetermined(f"the adjustment did not converge in {steps} steps, last change {change.max():.2g} sd")


def chi_square_test(solution: Solution, significance: float = 0.05) -> VarianceFactor | None:
    """Two-sided test of the variance factor against one; None without redundancy."""
    if solution.degrees_of_freedom <= 0:
        return None
    quantiles = distributions.chi_squared_below([significance / 2, 1 - significance / 2], solution.degrees_of_freedom)
    low, high = quantiles / solution.degrees_of_freedom
    factor = solution.variance_factor
    return VarianceFactor(
        variance_factor=factor,
        low=float(low),
        high=float(high),
        passed=bool(low <= factor <= high),
        degrees_of_freedom=solution.degrees_of_freedom,
        significance=significance,
    )
