"""What a sphere shows of the scanner: probing error of form and of size, 95 % form, noise."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from nightbay.artefact import calibration, directions, quantity, uncertainty, widths
from nightbay.artefact.result import Evaluated, Quantity
from nightbay.artefact.sphere_points import SpherePoints
from nightbay.core.errors import NotFound
from nightbay.fitting.sphere import Sphere, sphere

PICTURE_CELLS = 1500  # of the whole sphere in the picture of deviations


@dataclass(frozen=True)
class SphereFit:
    """A sphere of free radius through ``points``, its ``covariance`` (4, 4) of centre and radius with
    ``degrees_of_freedom``, the degrees of freedom behind it, and the patches of each point, (n,), in several sizes,
    ``patchings``."""

    points: SpherePoints
    fit: Sphere
    covariance: np.ndarray
    degrees_of_freedom: float
    patchings: list[np.ndarray]


def fit(points: SpherePoints, noise_mm: float) -> SphereFit | NotFound:
    """The orthogonal fit of a sphere to its points; ``noise_mm``: least standard deviation of a point."""
    found = sphere(points.points_mm, noise_mm)
    if isinstance(found, NotFound):
        return found
    away = points.points_mm - found.centre_mm
    away /= np.linalg.norm(away, axis=1, keepdims=True)
    patchings = [
        directions.cell(away, max(count, round(count / max(points.covered, 0.05)))) for count in uncertainty.PATCHES
    ]
    rows = np.column_stack([-away, -np.ones(len(away))])
    covariance, degrees_of_freedom = uncertainty.of_fit(rows, found.residuals_mm, patchings)
    return SphereFit(points, found, covariance, degrees_of_freedom, patchings)


def quantities(found: SphereFit, entry: Mapping[str, Any], of: int | None) -> list[Quantity]:
    """Probing error of form, 95 % form, probing error of size; ``of``: number of the sphere in the artefact."""
    residuals = found.fit.residuals_mm
    artefact_mm = float(entry.get("form_mm", 0.0) / np.sqrt(3.0))  # rectangular: up to its own form either way
    made = []
    for key, width in (
        ("probing_form", lambda values: widths.form(values, found.points.beyond)[0]),
        ("form_95", widths.form_95),
    ):
        sd_mm, degrees_of_freedom = uncertainty.of_width(residuals, found.patchings, width)
        budget_mm = {quantity.POINTS: sd_mm, "artefact's form": artefact_mm}
        made.append(quantity.of(key, of, float(width(residuals)), budget_mm, degrees_of_freedom))
    diameter = calibration.length(entry, "diameter")
    budget_mm = {"points": 2.0 * float(np.sqrt(found.covariance[3, 3])), **diameter.budget_mm}
    measured = 2.0 * found.fit.radius_mm
    error = measured - diameter.value_mm
    made.append(
        quantity.of("probing_size", of, error, budget_mm, found.degrees_of_freedom, measured, diameter.value_mm)
    )
    return made


def spacing(first: SphereFit, second: SphereFit, entry: Mapping[str, Any]) -> Quantity:
    """The sphere-spacing error of a ball bar: distance of the fitted centres less the calibrated one."""
    along = second.fit.centre_mm - first.fit.centre_mm
    measured = float(np.linalg.norm(along))
    along /= measured
    variances = [float(along @ end.covariance[:3, :3] @ along) for end in (first, second)]
    distance = calibration.length(entry, "distance")
    budget_mm = {"points": float(np.sqrt(sum(variances))), **distance.budget_mm}
    degrees_of_freedom = uncertainty.pooled([first.degrees_of_freedom, second.degrees_of_freedom], variances)
    error = measured - distance.value_mm
    return quantity.of("sphere_spacing", None, error, budget_mm, degrees_of_freedom, measured, distance.value_mm)


def evaluated(found: SphereFit) -> Evaluated:
    """The conditions of the fit, and its deviations for the picture."""
    noise_mm, noise_sd_mm = uncertainty.of_noise(found.fit.residuals_mm, found.patchings, 4)
    _, dropped = widths.form(found.fit.residuals_mm, found.points.beyond)
    seen = len(found.points.points_mm) + found.points.beyond
    return Evaluated(
        found.fit.centre_mm,
        len(found.points.points_mm),
        dropped / seen,
        found.points.covered,
        noise_mm,
        noise_sd_mm,
        _cells(found),
    )


def _cells(found: SphereFit) -> np.ndarray:
    """Unit direction and mean deviation of each cell that was seen, (m, 4)."""
    away = found.points.points_mm - found.fit.centre_mm
    cell = directions.cell(away / np.linalg.norm(away, axis=1, keepdims=True), PICTURE_CELLS)
    many = np.bincount(cell, minlength=PICTURE_CELLS)
    mean = np.bincount(cell, found.fit.residuals_mm, PICTURE_CELLS) / np.maximum(many, 1)
    seen = many > 0
    return np.column_stack([directions.even(PICTURE_CELLS)[seen], mean[seen]]).round(6)
