"""Circles of least orthogonal distances: in a plane, and in space."""

from dataclasses import dataclass

import numpy as np

from nightbay.core import plane_fit
from nightbay.core.errors import NotFound
from nightbay.fitting import orthogonal
from nightbay.fitting.plane import Plane, plane


@dataclass(frozen=True)
class FlatCircle:
    """A circle in a plane: ``centre_mm`` (2,) and ``radius_mm`` with their ``covariance`` (3, 3), mm^2, in that order,
    and the signed distances ``residuals_mm`` (n,) of the points, positive outside."""

    centre_mm: np.ndarray
    radius_mm: float
    covariance: np.ndarray
    residuals_mm: np.ndarray

    @property
    def form_mm(self) -> float:
        """Roundness: range of the points' signed distances."""
        return orthogonal.form_mm(self.residuals_mm)


@dataclass(frozen=True)
class Circle:
    """A circle in space: its ``plane``, and in that plane ``centre_mm`` (3,) and ``radius_mm``.

    ``covariance`` (3, 3), mm^2: of the centre along the two unit directions ``across(plane.normal)`` of
    :mod:`nightbay.core.plane_fit`, and of the radius. ``residuals_mm`` (n,): signed distances in the plane.
    """

    plane: Plane
    centre_mm: np.ndarray
    radius_mm: float
    covariance: np.ndarray
    residuals_mm: np.ndarray


def flat_circle(points_mm: np.ndarray, sd_mm: float) -> FlatCircle | NotFound:
    """The circle through points (n, 2), n at least 3, whose distances have a standard deviation of ``sd_mm`` or more.

    The reason instead where they are too few, or their arc is too short to show its radius.
    """
    if len(points_mm) < 3:
        return NotFound(f"{len(points_mm)} points are too few for a circle, 3 are needed")
    points = np.asarray(points_mm, np.float64)
    middle = points.mean(axis=0)
    found = orthogonal.ball(points - middle, sd_mm)
    if isinstance(found, NotFound):
        return found
    radius_mm, radius_sd_mm = float(found.parameters[2]), float(np.sqrt(found.covariance[2, 2]))
    if not radius_sd_mm <= orthogonal.MOST_RELATIVE_SD * radius_mm:
        return NotFound(f"the arc is too short: the radius is uncertain by {radius_sd_mm:.2g} mm of {radius_mm:.3g} mm")
    return FlatCircle(middle + found.parameters[:2], radius_mm, found.covariance, found.residuals_mm)


def circle(points_mm: np.ndarray, sd_mm: float, face: Plane | None = None) -> Circle | NotFound:
    """The circle through points (n, 3), in the plane ``face``, or where that is None in the points' own.

    ``sd_mm`` as of :func:`flat_circle`. The reason instead where the points do not determine it.
    """
    own = plane(points_mm, sd_mm) if face is None else face
    if isinstance(own, NotFound):
        return own
    across = np.array(plane_fit.across(own.normal))
    found = flat_circle((np.asarray(points_mm, np.float64) - own.point_mm) @ across.T, sd_mm)
    if isinstance(found, NotFound):
        return found
    centre = own.point_mm + found.centre_mm @ across
    return Circle(own, centre, found.radius_mm, found.covariance, found.residuals_mm)
