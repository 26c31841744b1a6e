"""Least squares of orthogonal distances, with the covariance of the parameters, or the reason why there is none."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize

from nightbay.core import robust
from nightbay.core.errors import NotFound

# Standard uncertainty of a length against the length itself, or of an angle in rad, up to which a fit counts as
# determined. The covariance is linear; the next term shifts a radius by about sd^2 / radius, a tenth of its sd here.
MOST_RELATIVE_SD = 0.1

Function = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True)
class Solution:
    """``parameters`` (p,) with their ``covariance`` (p, p), and the signed ``residuals_mm`` (n,) of the points."""

    parameters: np.ndarray
    covariance: np.ndarray
    residuals_mm: np.ndarray


def solve(residuals: Function, jacobian: Function, start: np.ndarray, sd_mm: float) -> Solution | NotFound:
    """Parameters with the least sum of squares of ``residuals(parameters)``, (n,) mm, from ``start`` (p,).

    ``jacobian(parameters)`` (n, p): their derivatives. ``sd_mm``: standard deviation of a point's distance, as far as
    it is known beforehand (see :func:`covariance`). The coordinates must be centred near the points.
    """
    if len(residuals(start)) < len(start):
        return NotFound(f"{len(residuals(start))} points are too few, {len(start)} are needed")
    scale = np.linalg.norm(jacobian(start), axis=0)
    if not (np.isfinite(scale).all() and (scale > 0.0).all()):
        return NotFound("the points do not determine it")
    found = optimize.least_squares(residuals, start, jac=jacobian, method="lm", x_scale=1.0 / scale, xtol=1e-12)
    at = residuals(found.x)
    matrix = covariance(jacobian(found.x), at, sd_mm)
    if matrix is None or not found.success:
        return NotFound("the points do not determine it")
    return Solution(found.x, matrix, at)


def covariance(jacobian: np.ndarray, residuals_mm: np.ndarray, sd_mm: float) -> np.ndarray | None:
    """Covariance (p, p) of least-squares parameters, None where the points do not determine them.

    ``jacobian`` (n, p), ``residuals_mm`` (n,). The points' variance is that of the residuals, and at least
    ``sd_mm`` squared: few points can fit by chance. Their errors count as independent of each other.
    """
    count, size = jacobian.shape
    scale = np.linalg.norm(jacobian, axis=0)
    if not (np.isfinite(scale).all() and (scale > 0.0).all()):
        return None
    values, vectors = np.linalg.eigh((jacobian / scale).T @ (jacobian / scale))
    if values[0] * robust.SINGULAR < values[-1]:
        return None
    inverse = (vectors / values) @ vectors.T / np.outer(scale, scale)
    degrees_of_freedom = count - size
    variance = float(residuals_mm @ residuals_mm) / degrees_of_freedom if degrees_of_freedom else 0.0
    return max(variance, sd_mm**2) * inverse


def form_mm(residuals_mm: np.ndarray) -> float:
    """Form deviation: the range of the signed distances, (n,) mm, from a least-squares shape."""
    return float(np.ptp(residuals_mm))


def algebraic_ball(off_mm: np.ndarray) -> np.ndarray | None:
    """Centre and radius, (d + 1,), of the circle or sphere with the least sum of squares of |p - c|^2 - r^2.

    ``off_mm`` (n, d) about their mean. None for points of a line, or of a plane.
    """
    size = float(np.sqrt((off_mm**2).sum(axis=1).mean()))
    if size == 0.0:
        return None
    rows = np.column_stack([2.0 * off_mm / size, np.ones(len(off_mm))])
    solution, _, rank, _ = np.linalg.lstsq(rows, ((off_mm / size) ** 2).sum(axis=1), rcond=1e-9)
    if rank < rows.shape[1]:
        return None
    centre = solution[:-1]
    return np.append(centre, np.sqrt(max(solution[-1] + centre @ centre, 0.0))) * size


def ball(off_mm: np.ndarray, sd_mm: float) -> Solution | NotFound:
    """The circle or sphere through points (n, d) about their mean: parameters are its centre and radius, (d + 1,)."""
    start = algebraic_ball(off_mm)
    if start is None:
        return NotFound("the points lie on a line or a plane, which does not show a curve")

    def residuals(parameters: np.ndarray) -> np.ndarray:
        return np.linalg.norm(off_mm - parameters[:-1], axis=1) - parameters[-1]

    def jacobian(parameters: np.ndarray) -> np.ndarray:
        away = off_mm - parameters[:-1]
        length = np.maximum(np.linalg.norm(away, axis=1, keepdims=True), np.finfo(float).tiny)
        return np.column_stack([-away / length, -np.ones(len(off_mm))])

    return solve(residuals, jacobian, start, sd_mm)
