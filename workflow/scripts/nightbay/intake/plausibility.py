"""Checks that a segment is a surface, and that its size fits its vehicle class in the declared units."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from nightbay.core.errors import Rejected
from nightbay.core.units import MM

TRIM = 0.002  # share of points at either end of an axis that may be outliers: raw exports hold up to about 1 in 1000
# A surface is distinguished from a curve by PLACES neighbourhoods of NEIGHBOURS points each. The segment is first
# thinned to THINNED points: scan lines, dense along and sparse across, are then about as even as other points.
THINNED, PLACES, NEIGHBOURS = 5000, 400, 15
NOISE_SDS, NARROWEST = 3.0, 1.5  # see check_surface


def span(points_mm: np.ndarray) -> float:
    """Length of points, (n, 3), along their longest axis, mm, without outliers; the same in any attitude."""
    centred = points_mm - np.median(points_mm, axis=0)
    low, high = np.quantile(centred, [TRIM, 1 - TRIM], axis=0)
    inside = centred[np.all((centred >= low) & (centred <= high), axis=1)]
    if len(inside) < 3:
        return float(np.linalg.norm(high - low))
    _, axes = np.linalg.eigh(np.cov(inside.T))
    along = centred @ axes[:, -1]
    return float(np.subtract(*np.quantile(along, [1 - TRIM, TRIM])))


def local_spread(points_mm: np.ndarray) -> tuple[float, float]:
    """Standard deviations (along, across), mm, of neighbouring points, (n, 3), in the two directions in which they
    spread most: medians over all neighbourhoods, on which a few of them have no influence."""
    chosen = np.random.default_rng(0).permutation(len(points_mm))[:THINNED]
    distinct = np.unique(points_mm[chosen], axis=0)
    if len(distinct) < NEIGHBOURS:
        return 0.0, 0.0
    _, rows = cKDTree(distinct).query(distinct[:: -(-len(distinct) // PLACES)], NEIGHBOURS)
    near = distinct[rows] - distinct[rows].mean(axis=1, keepdims=True)
    variance = np.linalg.eigvalsh(np.einsum("pki,pkj->pij", near, near) / NEIGHBOURS)
    _, across, along = np.sqrt(np.maximum(np.median(variance, axis=0), 0))
    return float(along), float(across)


def check_surface(points_mm: np.ndarray, noise_mm: float, name: str) -> None:
    """Raise :class:`Rejected` for points that lie on a line or a curve, which later stages would take for a surface.

    ``noise_mm``: standard deviation of a point. Noise about a line spreads by its standard deviation;
    :data:`NOISE_SDS` times that leaves room for one declared too low. On a strip of width w, 15 points at the spacing p
    cover the length l = 15 p p / w. The limit w / l = :data:`NARROWEST` / 15 is met at w = 1.2 p; a narrower strip is a
    row of points. The arc of 15 points on a circle of 1000 spreads an eighth of that.
    """
    along, across = local_spread(points_mm)
    if across < max(NOISE_SDS * noise_mm, NARROWEST / NEIGHBOURS * along):
        raise Rejected(
            f"{name}: its points lie on a line or a curve (neighbours spread {across:.2g} mm across it, {along:.2g} mm "
            "along it), so they show no surface: export the whole segment."
        )


def limits(
    extent_mm: Mapping[str, tuple[float, float]], least_share: float, surroundings_mm: float
) -> tuple[float, float]:
    """Smallest and largest plausible span of a segment of this class, mm.

    ``extent_mm``: least and most length, width and height of the class. The least is a share of the least width of a
    vehicle; the most is the diagonal of the largest vehicle with its surroundings on both sides.
    """
    most = np.linalg.norm([extent_mm[axis][1] for axis in ("length", "width", "height")])
    return least_share * extent_mm["width"][0], float(most + 2 * surroundings_mm)


def check_units(span_mm: float, plausible_mm: tuple[float, float], sheet: Mapping[str, Any]) -> None:
    """Raise :class:`Rejected`, with the units that would fit, for a span outside its limits.

    ``plausible_mm``: least and most; ``sheet``: ``file``, ``units`` and ``vehicle_class`` of the segment.
    """
    least_mm, most_mm = plausible_mm
    if least_mm <= span_mm <= most_mm:
        return
    span = span_mm / MM[sheet["units"]]
    fitting = [unit for unit, scale in MM.items() if least_mm <= span * scale <= most_mm]
    if fitting:
        spans = " or ".join(f"{span * MM[unit]:.0f} mm in {unit}" for unit in fitting)
        advice = f"it would span {spans}, so correct 'units' in the job sheet"
    else:
        advice = "no unit would make it fit, so check the file and the vehicle class"
    shown = f"{span_mm:.4g}" if span_mm < 1000 else f"{span_mm:.0f}"
    raise Rejected(
        f"{sheet['file']} spans {shown} mm with the declared units {sheet['units']}; {least_mm:.0f} to {most_mm:.0f}"
        f" mm are plausible for a segment of a {sheet['vehicle_class']}: {advice}."
    )
