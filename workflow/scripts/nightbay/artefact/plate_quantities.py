"""What a plate shows of the scanner: flatness, 95 % form, noise."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from nightbay.artefact import quantity, uncertainty, widths
from nightbay.artefact.plate_search import Plate
from nightbay.artefact.result import Evaluated, Quantity
from nightbay.core.errors import NotFound
from nightbay.fitting.plane import plane

PATCHES_ACROSS = (5, 3)  # each way: about as many patches as on a sphere
CELLS_ACROSS = 40  # in the longer direction of the picture


def measure(found: Plate, entry: Mapping[str, Any], noise_mm: float) -> tuple[list[Quantity], Evaluated] | NotFound:
    """Flatness and 95 % form of a plate about its least-squares plane, and the conditions of the fit."""
    fit = plane(found.points_mm, noise_mm)
    if isinstance(fit, NotFound):
        return fit
    residuals = fit.residuals_mm
    patchings = [_cells(found, across, across) for across in PATCHES_ACROSS]
    calibrated_mm = entry.get("flatness_mm", 0.0)
    of_calibration = entry.get("flatness_uncertainty_mm", 0.0) / entry["coverage_factor"]
    own_mm = float(np.hypot(calibrated_mm / np.sqrt(3.0), of_calibration))  # rectangular, as for spheres
    made = []
    for key, width in (
        ("flatness", lambda values: widths.form(values, found.beyond)[0]),
        ("form_95", widths.form_95),
    ):
        sd_mm, degrees_of_freedom = uncertainty.of_width(residuals, patchings, width)
        budget_mm = {quantity.POINTS: sd_mm, "artefact's form": own_mm}
        made.append(quantity.of(key, None, float(width(residuals)), budget_mm, degrees_of_freedom))
    noise, noise_sd = uncertainty.of_noise(residuals, patchings, 3)
    _, dropped = widths.form(residuals, found.beyond)
    share = dropped / (len(residuals) + found.beyond)
    return made, Evaluated(
        fit.point_mm, len(residuals), share, found.covered, noise, noise_sd, _picture(found, residuals)
    )


def _cells(found: Plate, long: int, wide: int) -> np.ndarray:
    """Number of the rectangle, (n,) int, of ``long`` times ``wide`` that each point lies in."""
    low = found.along_mm.min(axis=0)
    share = (found.along_mm - low) / np.maximum(np.ptp(found.along_mm, axis=0), 1e-9)
    at = np.minimum((share * [long, wide]).astype(np.int64), [long - 1, wide - 1])
    return at[:, 0] * wide + at[:, 1]


def _picture(found: Plate, residuals_mm: np.ndarray) -> np.ndarray:
    """Place along length and width from the middle, mm, a third column of zeros, and the mean deviation: (m, 4)."""
    wide = max(1, round(CELLS_ACROSS * found.size_mm[1] / found.size_mm[0]))
    cell = _cells(found, CELLS_ACROSS, wide)
    many = np.bincount(cell)
    seen = many > 0
    sums = [np.bincount(cell, values)[seen] / many[seen] for values in (*found.along_mm.T, residuals_mm)]
    return np.column_stack([sums[0], sums[1], np.zeros(len(sums[0])), sums[2]]).round(6)
