"""Whether what was measured of a vehicle fits the class that its job sheet declares, and which classes it would fit."""

from collections.abc import Mapping, Sequence

from nightbay.core.text_format import THIN, listing, mm, number, plus_minus
from nightbay.measure.result import Dimension
from nightbay.report.next_step import AGAIN, JobWarning

INSIDE = "inner_"  # begins the name of a dimension of an interior
Ranges = Mapping[str, Sequence[float]]  # {dimension: [least, most] mm}


def warning(
    part_name: str,
    dimensions: Mapping[str, Dimension],
    vehicle_class: str | None,
    extents_mm: Mapping[str, Ranges],
) -> JobWarning | None:
    """A sentence on the dimensions of a part that lie outside their class's range by more than their uncertainty.

    ``dimensions`` by name; ``extents_mm`` {class: ranges of the whole vehicle}. An inner dimension is compared with the
    upper limit only. None where all fit, or the class states no range.
    """
    limits = _limits(dimensions, extents_mm.get(vehicle_class or "", {}))
    beyond = _outside_limits(dimensions, limits)
    if not beyond:
        return None
    sizes = [
        f"{name.replace('_', ' ')} {plus_minus(dimensions[name].value_mm, dimensions[name].uncertainty_mm)} "
        f"({_allowed(name, limits[name])})"
        for name in beyond
    ]
    known = {other: _limits(dimensions, ranges) for other, ranges in sorted(extents_mm.items())}
    fitting = [other for other, limits in known.items() if limits and not _outside_limits(dimensions, limits)]
    return JobWarning(
        f"The {part_name} does not fit vehicle class {vehicle_class}: {listing(sizes)}; check vehicle_class and units "
        f"on the job sheet ({f'its size fits {listing(fitting)}' if fitting else 'its size fits no class'}).",
        f"Check vehicle_class and units in job.yaml and {AGAIN}.",
    )


def _limits(dimensions: Mapping[str, Dimension], ranges: Ranges) -> dict[str, Sequence[float]]:
    """The ranges that a class states of the dimensions that were taken, in the order of the class's file."""
    return {name: ranges[outer] for outer in ranges for name in (outer, INSIDE + outer) if name in dimensions}


def _outside_limits(dimensions: Mapping[str, Dimension], limits: Ranges) -> list[str]:
    """Names of the dimensions that lie outside their limits."""
    found = []
    for name, (least, most) in limits.items():
        dimension = dimensions[name]
        # with an end that was not measured the vehicle may be larger, and its inside is smaller than its outside
        at_least = bool(dimension.unscanned_ends) or name.startswith(INSIDE)
        too_small = dimension.value_mm + dimension.uncertainty_mm < least and not at_least
        if too_small or dimension.value_mm - dimension.uncertainty_mm > most:
            found.append(name)
    return found


def _allowed(name: str, limits: Sequence[float]) -> str:
    if name.startswith(INSIDE):
        return f"at most {mm(limits[1], 0)} on the outside"
    return f"plausible: {number(limits[0])} to {number(limits[1])}{THIN}mm"
