"""The sphere of least orthogonal distances through points."""

from dataclasses import dataclass

import numpy as np

from nightbay.core.errors import NotFound
from nightbay.fitting import orthogonal


@dataclass(frozen=True)
class Sphere:
    """A sphere: ``centre_mm`` (3,) and ``radius_mm`` with their ``covariance`` (4, 4), mm^2, in that order, and the
    signed distances ``residuals_mm`` (n,) of the points, positive outside."""

    centre_mm: np.ndarray
    radius_mm: float
    covariance: np.ndarray
    residuals_mm: np.ndarray

    @property
    def form_mm(self) -> float:
        """Range of the points' signed distances."""
        return orthogonal.form_mm(self.residuals_mm)


def sphere(points_mm: np.ndarray, sd_mm: float) -> Sphere | NotFound:
    """The sphere through points (n, 3), n at least 4, whose distances have a standard deviation of ``sd_mm`` or more.

    The reason instead where they are too few, or cover too little of it to show its radius.
    """
    if len(points_mm) < 4:
        return NotFound(f"{len(points_mm)} points are too few for a sphere, 4 are needed")
    points = np.asarray(points_mm, np.float64)
    middle = points.mean(axis=0)
    found = orthogonal.ball(points - middle, sd_mm)
    if isinstance(found, NotFound):
        return found
    radius_mm, radius_sd_mm = float(found.parameters[3]), float(np.sqrt(found.covariance[3, 3]))
    if not radius_sd_mm <= orthogonal.MOST_RELATIVE_SD * radius_mm:
        return NotFound(
            f"the points cover too little of the sphere: its radius is uncertain by {radius_sd_mm:.2g} mm of "
            f"{radius_mm:.3g} mm"
        )
    return Sphere(middle + found.parameters[:3], radius_mm, found.covariance, found.residuals_mm)
