"""Checks that a segment's size fits its vehicle class in the units that were declared."""

import numpy as np

from nightbay.errors import Rejected
from nightbay.units import MM

TRIM = 0.002  # share of points at either end of an axis that may be strays: raw exports hold up to about 1 in 1000


def span(points_mm):
    """Length of a set of points along its longest axis, mm, less strays; the same however the set is turned."""
    centred = points_mm - np.median(points_mm, axis=0)
    low, high = np.quantile(centred, [TRIM, 1 - TRIM], axis=0)
    inside = centred[np.all((centred >= low) & (centred <= high), axis=1)]
    if len(inside) < 3:
        return float(np.linalg.norm(high - low))
    _, axes = np.linalg.eigh(np.cov(inside.T))
    along = centred @ axes[:, -1]
    return float(np.subtract(*np.quantile(along, [1 - TRIM, TRIM])))


def limits(extent_mm, least_share, surroundings_mm):
    """Least and most span of a segment of this class, mm.

    The least is a share of the least width of a vehicle; the most the diagonal of the largest vehicle and what stands
    around it on both sides.
    """
    most = np.linalg.norm([extent_mm[axis][1] for axis in ("length", "width", "height")])
    return least_share * extent_mm["width"][0], float(most + 2 * surroundings_mm)


def check_units(span_mm, units, name, vehicle_class, least_mm, most_mm):
    """Raise :class:`Rejected` for a span out of its limits, and name the units that would fit."""
    if least_mm <= span_mm <= most_mm:
        return
    fitting = [unit for unit, scale in MM.items() if least_mm <= span_mm / MM[units] * scale <= most_mm]
    if fitting:
        spans = " or ".join(f"{span_mm / MM[units] * MM[unit]:.0f} mm in {unit}" for unit in fitting)
        advice = f"it would span {spans}, so correct 'units' in the job sheet"
    else:
        advice = "no unit would make it fit, so check the file and the vehicle class"
    shown = f"{span_mm:.4g}" if span_mm < 1000 else f"{span_mm:.0f}"
    raise Rejected(
        f"{name} spans {shown} mm with the declared units {units}; {least_mm:.0f} to {most_mm:.0f} mm are "
        f"plausible for a segment of a {vehicle_class}: {advice}."
    )
