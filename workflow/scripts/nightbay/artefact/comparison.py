"""Whether the scanner was worse than the day assumes, as far as its artefacts prove it."""

from collections.abc import Iterable
from typing import Any

import numpy as np

from nightbay.artefact.result import Comparison, Evaluated, Quantity
from nightbay.core import distributions


def of_noise(surfaces: Iterable[Evaluated], settings: Any) -> list[Comparison]:
    """The noisiest surface against ``scan.noise_mm``, which stands for every value that rounds to it: an uncertainty
    has two significant digits at most (GUM 7.2.6)."""
    assumed = settings.scan.noise_mm
    bound = assumed + 0.5 * 10.0 ** (np.floor(np.log10(assumed)) - 1)
    found = [
        Comparison(
            "noise",
            surface.noise_mm,
            surface.noise_sd_mm,
            assumed,
            bool(surface.noise_mm - bound > _one_sided(settings) * surface.noise_sd_mm),
        )
        for surface in surfaces
    ]
    return [max(found, key=lambda comparison: comparison.found_mm)] if found else []


def of_quantities(quantities: Iterable[Quantity], settings: Any) -> list[Comparison]:
    """Errors of size and of distance against what the day assumes of them."""
    compare = {"probing_size": _offset, "sphere_spacing": _spacing, "target_spacing": _targets}
    found = [compare[quantity.key](quantity, settings) for quantity in quantities if quantity.key in compare]
    furthest: dict[str, Comparison] = {}
    for comparison in found:
        known = furthest.get(comparison.key)
        if known is None or abs(comparison.found_mm) > abs(known.found_mm):
            furthest[comparison.key] = comparison
    return list(furthest.values())


def _offset(quantity: Quantity, settings: Any) -> Comparison:
    """A surface lies off by half the error of size, and no average removes it: it may be as large as the noise."""
    offset, sd, assumed = quantity.value_mm / 2, _sd(quantity) / 2, settings.scan.noise_mm
    return Comparison("offset", offset, sd, assumed, bool(abs(offset) - assumed > _two_sided(settings) * sd))


def _spacing(quantity: Quantity, settings: Any) -> Comparison:
    """Centres of spheres average over thousands of points: what remains between them is drift."""
    assumed = settings.scan.target_drift_mm_per_m * _metres(quantity)
    return _error("spacing", quantity, assumed, settings)


def _targets(quantity: Quantity, settings: Any) -> Comparison:
    scan = settings.scan
    assumed = float(np.hypot(np.sqrt(2.0) * scan.target_noise_mm, scan.target_drift_mm_per_m * _metres(quantity)))
    return _error("targets", quantity, assumed, settings)


def _error(key: str, quantity: Quantity, assumed: float, settings: Any) -> Comparison:
    sd = _sd(quantity)
    worse = abs(quantity.value_mm) > _two_sided(settings) * float(np.hypot(sd, assumed))
    return Comparison(key, quantity.value_mm, sd, assumed, bool(worse))


def _sd(quantity: Quantity) -> float:
    """Standard uncertainty, by a factor that counts the degrees of freedom: 2 of the expanded one."""
    return quantity.uncertainty_mm / 2


def _metres(quantity: Quantity) -> float:
    return (quantity.calibrated_mm or 0.0) / 1000


def _one_sided(settings: Any) -> float:
    return distributions.normal_above(settings.artefact.significance)


def _two_sided(settings: Any) -> float:
    return distributions.normal_above(settings.artefact.significance / 2)
