"""The plane of least orthogonal distances through points."""

from dataclasses import dataclass

import numpy as np

from nightbay.core import plane_fit
from nightbay.core.errors import NotFound
from nightbay.fitting import orthogonal


@dataclass(frozen=True)
class Plane:
    """A plane through ``point_mm`` (3,), the mean of its points, with unit ``normal`` (3,), largest component positive.

    ``covariance`` (3, 3): of the position along the normal at ``point_mm``, mm, and of the slopes along the two unit
    directions ``across(normal)`` of :mod:`nightbay.core.plane_fit`, rad. ``residuals_mm`` (n,): signed, along the
    normal.
    """

    point_mm: np.ndarray
    normal: np.ndarray
    covariance: np.ndarray
    residuals_mm: np.ndarray

    def sd_mm(self, at_mm: np.ndarray) -> float:
        """Standard uncertainty of the plane's position along its normal at a point (3,) in or near it."""
        lever = np.concatenate([[1.0], self._levers(at_mm)])
        return float(np.sqrt(lever @ self.covariance @ lever))

    def normal_covariance(self) -> np.ndarray:
        """Covariance (3, 3) of the unit normal's components; it has none along the normal."""
        turns = np.column_stack(plane_fit.across(self.normal))
        return turns @ self.covariance[1:, 1:] @ turns.T

    @property
    def tilt_sd(self) -> float:
        """Standard uncertainty of the tilt about the axis that the points hold least, rad."""
        return float(np.sqrt(np.linalg.eigvalsh(self.covariance[1:, 1:])[-1]))

    @property
    def flatness_mm(self) -> float:
        """Range of the points' signed distances."""
        return orthogonal.form_mm(self.residuals_mm)

    def _levers(self, at_mm: np.ndarray) -> np.ndarray:
        return np.array([direction @ (at_mm - self.point_mm) for direction in plane_fit.across(self.normal)])


def plane(points_mm: np.ndarray, sd_mm: float) -> Plane | NotFound:
    """The plane through points (n, 3), n at least 3, whose distances have a standard deviation of ``sd_mm`` or more.

    The reason instead where they are too few, or too near a line to show its tilt.
    """
    if len(points_mm) < 3:
        return NotFound(f"{len(points_mm)} points are too few for a plane, 3 are needed")
    points = np.asarray(points_mm, np.float64)
    middle = points.mean(axis=0)
    normal = np.linalg.svd(points - middle, full_matrices=False)[2][-1]
    normal = normal * np.sign(normal[np.argmax(np.abs(normal))])
    first, second = plane_fit.across(normal)
    off = points - middle
    residuals = off @ normal
    # position and slopes raise the plane by these at each point
    rows = np.column_stack([np.ones(len(off)), off @ first, off @ second])
    matrix = orthogonal.covariance(rows, residuals, sd_mm)
    if matrix is None:
        return NotFound("the points lie in a line, which does not show how a plane tilts about it")
    found = Plane(middle, normal, matrix, residuals)
    if found.tilt_sd > orthogonal.MOST_RELATIVE_SD:
        return NotFound(
            f"the points lie too near a line: the plane's tilt is uncertain by {np.degrees(found.tilt_sd):.0f} degrees"
        )
    return found
