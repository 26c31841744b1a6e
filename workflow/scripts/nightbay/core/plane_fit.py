"""Robust fits of flat surfaces that carry ridges, ribs and fittings."""

from collections.abc import Sequence

import numpy as np

from nightbay.core import robust

LEAST_LIMIT_MM = 0.5  # five times a good scanner's noise
FOLLOWING = 3  # last steps, whose limit follows the scatter of the points


def across(direction: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Two unit directions, (3,) each, at right angles to a ``direction`` (3,) and to each other."""
    first = np.cross(direction, np.eye(3)[int(np.argmin(np.abs(direction)))])
    first /= np.linalg.norm(first)
    return first, np.cross(direction, first)


def solve(
    rows: np.ndarray, values: np.ndarray, start: np.ndarray, block: np.ndarray, limits_mm: Sequence[float]
) -> tuple[np.ndarray, robust.Step]:
    """Parameters (p,) with ``rows @ parameters`` near most of the ``values``, (n,) mm, and the last step of the fit.

    ``rows`` (n, p); ``start`` (p,); ``block`` (n,) as in :func:`nightbay.core.robust.step`. The biweight's limit falls
    through ``limits_mm`` and then follows the scatter of the points that are within the last, so that what stands on a
    panel does not lift it.
    """
    solution = start
    for limit in [*limits_mm, *[None] * FOLLOWING]:
        residual = rows @ solution - values
        if limit is None:
            near = np.abs(residual[np.abs(residual) < limits_mm[-1]])
            scatter = robust.MAD_TO_SD * float(np.median(near)) if len(near) else limits_mm[-1]
            limit = float(np.clip(robust.TUKEY_SD * scatter, LEAST_LIMIT_MM, limits_mm[-1]))
        step = robust.step(rows, residual, limit, block)
        solution = solution + step.change
    return solution, step


def fit(
    points_mm: np.ndarray, direction: np.ndarray, start_mm: np.ndarray, limits_mm: Sequence[float], blocks: int = 8
) -> tuple[np.ndarray, float, float, float]:
    """Robust plane through points (n, 3) near a first guess: unit ``normal`` (3,) and offset, with the standard
    uncertainties of its position, mm, and of its tilt, rad; infinite where the points don't show them.

    The guess goes through ``start_mm`` (3,) at right angles to ``direction`` (3,), unit. ``blocks``: strips that are
    left out in turn for the uncertainty.
    """
    first, second = across(direction)
    off = points_mm - start_mm
    rows = np.column_stack([np.ones(len(off)), off @ first, off @ second])
    longer = off @ first if np.ptp(off @ first) > np.ptp(off @ second) else off @ second
    solution, step = solve(rows, off @ direction, np.zeros(3), robust.blocks_along(longer, blocks), limits_mm)
    normal = direction - solution[1] * first - solution[2] * second
    length = np.linalg.norm(normal)
    offset_mm = float((normal @ start_mm + solution[0]) / length)
    if not np.isfinite(step.covariance).all():
        return normal / length, offset_mm, np.inf, np.inf
    tilt = float(np.sqrt(max(step.covariance[1, 1], step.covariance[2, 2])))
    # of the position at the middle of the points, not at the start of the fit
    used = step.weights > 0.0
    middle = rows[used].mean(axis=0) if used.any() else rows.mean(axis=0)
    return normal / length, offset_mm, float(np.sqrt(max(middle @ step.covariance @ middle, 0.0))), tilt
