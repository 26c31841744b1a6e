"""The line of least orthogonal distances through points."""

from dataclasses import dataclass

import numpy as np

from nightbay.core import plane_fit
from nightbay.core.errors import NotFound
from nightbay.fitting import orthogonal


@dataclass(frozen=True)
class Line:
    """A line through ``point_mm`` (3,), the mean of its points, along unit ``direction`` (3,), largest component
    positive.

    ``covariance`` (4, 4): of the position at ``point_mm`` along the two unit directions ``across(direction)`` of
    :mod:`nightbay.core.plane_fit`, mm, and of the slopes towards them, rad. ``distances_mm`` (n,) of the points.
    """

    point_mm: np.ndarray
    direction: np.ndarray
    covariance: np.ndarray
    distances_mm: np.ndarray


def line(points_mm: np.ndarray, sd_mm: float) -> Line | NotFound:
    """The line through points (n, 3), n at least 2, whose coordinates across it have a standard deviation of ``sd_mm``
    or more; the reason instead where they lie too near each other to show its direction."""
    if len(points_mm) < 2:
        return NotFound(f"{len(points_mm)} points are too few for a line, 2 are needed")
    points = np.asarray(points_mm, np.float64)
    middle = points.mean(axis=0)
    off = points - middle
    direction = np.linalg.svd(off, full_matrices=False)[2][0]
    direction = direction * np.sign(direction[np.argmax(np.abs(direction))])
    across = np.array(plane_fit.across(direction))
    residuals = off @ across.T  # (n, 2)
    along = off @ direction
    rows, none = np.column_stack([np.ones(len(off)), along]), np.zeros((len(off), 2))
    # position, slope towards the first direction; then the same towards the second
    jacobian = np.vstack([np.hstack([rows, none]), np.hstack([none, rows])])
    matrix = orthogonal.covariance(jacobian, residuals.T.ravel(), sd_mm)
    if matrix is None:
        return NotFound("the points are one point, which does not show a direction")
    order = [0, 2, 1, 3]
    matrix = matrix[np.ix_(order, order)]
    slope_sd = float(np.sqrt(np.linalg.eigvalsh(matrix[2:, 2:])[-1]))
    if slope_sd > orthogonal.MOST_RELATIVE_SD:
        return NotFound(
            f"the points are too near each other: the line's direction is uncertain by {np.degrees(slope_sd):.0f} "
            "degrees"
        )
    return Line(middle, direction, matrix, np.linalg.norm(residuals, axis=1))
