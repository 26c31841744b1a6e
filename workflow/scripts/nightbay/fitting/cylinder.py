"""The cylinder of least orthogonal distances through points."""

from dataclasses import dataclass

import numpy as np

from nightbay.core import plane_fit
from nightbay.core.errors import NotFound
from nightbay.fitting import orthogonal

DIRECTIONS = 96  # even over half a sphere, about 15 degrees apart: one of them starts in the valley of the best axis
MOST_POINTS = 600  # points by which a direction is judged


@dataclass(frozen=True)
class Cylinder:
    """A cylinder: ``point_mm`` (3,) of its axis at the middle of its points, unit ``direction`` (3,), largest component
    positive, and ``radius_mm``.

    ``covariance`` (5, 5): of the axis at ``point_mm`` along the two unit directions ``across(direction)`` of
    :mod:`nightbay.core.plane_fit`, mm, of its slopes towards them, rad, and of the radius, mm. ``residuals_mm`` (n,):
    signed distances of the points, positive outside.
    """

    point_mm: np.ndarray
    direction: np.ndarray
    radius_mm: float
    covariance: np.ndarray
    residuals_mm: np.ndarray

    @property
    def form_mm(self) -> float:
        """Cylindricity: range of the points' signed distances."""
        return orthogonal.form_mm(self.residuals_mm)


def cylinder(points_mm: np.ndarray, sd_mm: float, axis: np.ndarray | None = None) -> Cylinder | NotFound:
    """The cylinder through points (n, 3), n at least 5, whose distances have a standard deviation of ``sd_mm`` or more.

    ``axis`` (3,): roughly its direction, searched where None. The reason instead where the points do not determine it.
    """
    if len(points_mm) < 5:
        return NotFound(f"{len(points_mm)} points are too few for a cylinder, 5 are needed")
    points = np.asarray(points_mm, np.float64)
    middle = points.mean(axis=0)
    off = points - middle
    w = _searched(off) if axis is None else np.asarray(axis, np.float64) / np.linalg.norm(axis)
    first = _about(off, w, sd_mm)
    if isinstance(first, NotFound):
        return first
    # the second fit is about the first one's axis, where small slopes are angles
    w = _inclined(w, first.parameters)
    found = _about(off, w, sd_mm)
    if isinstance(found, NotFound):
        return found
    u, v = plane_fit.across(w)
    w = _inclined(w, found.parameters)
    a, b, _, _, radius_mm = found.parameters
    slope_sd = float(np.sqrt(np.linalg.eigvalsh(found.covariance[2:4, 2:4])[-1]))
    radius_sd_mm = float(np.sqrt(found.covariance[4, 4]))
    if not radius_sd_mm <= orthogonal.MOST_RELATIVE_SD * radius_mm:
        return NotFound(f"the arc is too short: the radius is uncertain by {radius_sd_mm:.2g} mm of {radius_mm:.3g} mm")
    # a ring looks like a cylinder about any axis near its own: the slopes are small against its length over its radius
    if slope_sd > orthogonal.MOST_RELATIVE_SD * min(1.0, float(np.ptp(off @ w)) / radius_mm):
        return NotFound(f"the cylinder is too short: its axis is uncertain by {np.degrees(slope_sd):.1f} degrees")
    return Cylinder(middle + a * u + b * v, w, float(radius_mm), found.covariance, found.residuals_mm)


def _inclined(w: np.ndarray, parameters: np.ndarray) -> np.ndarray:
    """Unit direction (3,) of an axis whose slopes are the third and fourth of the ``parameters`` about ``w`` (3,)."""
    u, v = plane_fit.across(w)
    direction = w + parameters[2] * u + parameters[3] * v
    return direction / np.linalg.norm(direction) * np.sign(direction[np.argmax(np.abs(direction))])


def _about(off: np.ndarray, w: np.ndarray, sd_mm: float) -> orthogonal.Solution | NotFound:
    """The fit to points (n, 3) about their mean by offsets and slopes, along ``across(w)``, of an axis near unit ``w``
    (3,), and by the radius."""
    u, v = plane_fit.across(w)
    ball = orthogonal.algebraic_ball(off @ np.column_stack([u, v]))
    if ball is None:
        return NotFound("the points lie on a plane, which does not show a cylinder")

    def parts(p: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        direction = w + p[2] * u + p[3] * v
        direction = direction / np.linalg.norm(direction)
        away = off - p[0] * u - p[1] * v
        along = away @ direction
        radial = away - along[:, None] * direction
        distance = np.maximum(np.linalg.norm(radial, axis=1), np.finfo(float).tiny)
        return radial / distance[:, None], along, distance

    def residuals(p: np.ndarray) -> np.ndarray:
        return parts(p)[2] - p[4]

    def jacobian(p: np.ndarray) -> np.ndarray:
        out, along, _ = parts(p)
        a, b = -(out @ u), -(out @ v)
        return np.column_stack([a, b, along * a, along * b, -np.ones(len(off))])

    return orthogonal.solve(residuals, jacobian, np.array([ball[0], ball[1], 0.0, 0.0, ball[2]]), sd_mm)


def _searched(off_mm: np.ndarray) -> np.ndarray:
    """The direction, (3,), along which points look most like a circle."""
    some = off_mm[:: -(-len(off_mm) // MOST_POINTS)]
    z = (np.arange(DIRECTIONS) + 0.5) / DIRECTIONS
    turn = np.arange(DIRECTIONS) * np.pi * (3.0 - np.sqrt(5.0))
    flat = np.sqrt(1.0 - z**2)
    directions = np.column_stack([flat * np.cos(turn), flat * np.sin(turn), z])
    square_means = []
    for direction in directions:
        seen = some @ np.column_stack(plane_fit.across(direction))
        ball = orthogonal.algebraic_ball(seen)
        distance = np.inf if ball is None else np.linalg.norm(seen - ball[:2], axis=1) - ball[2]
        square_means.append(float(np.mean(np.square(distance))))
    return directions[int(np.argmin(square_means))]
