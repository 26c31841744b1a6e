"""Whether what was measured of a vehicle fits the class that its job sheet declares, and which classes it would fit."""

from collections.abc import Mapping, Sequence

from nightbay.core.language import say
from nightbay.core.text_format import listing, mm, number, plus_minus
from nightbay.measure.result import Dimension
from nightbay.report.job_summary import dimension_in_words
from nightbay.report.next_step import JobWarning
from nightbay.report.part import NAMES

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
    known = {other: _limits(dimensions, ranges) for other, ranges in sorted(extents_mm.items())}
    fitting = [other for other, limits in known.items() if limits and not _outside_limits(dimensions, limits)]
    values = {
        "part": say(NAMES[part_name]),
        "vehicle_class": vehicle_class,
        "sizes": listing(_size(name, dimensions[name], limits[name]) for name in beyond),
    }
    step = say("Check vehicle_class and units in job.yaml and run the same command.")
    if not fitting:
        sentence = say(
            "The {part} does not fit vehicle class {vehicle_class}: {sizes}; check vehicle_class and units on the job "
            "sheet (its size fits no class).",
            **values,
        )
        return JobWarning(sentence, step)
    sentence = say(
        "The {part} does not fit vehicle class {vehicle_class}: {sizes}; check vehicle_class and units on the job "
        "sheet (its size fits {classes}).",
        classes=listing(fitting),
        **values,
    )
    return JobWarning(sentence, step)


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


def _size(name: str, dimension: Dimension, limits: Sequence[float]) -> str:
    """A dimension with its value and what the class allows."""
    values = {
        "dimension": dimension_in_words(name),
        "value": plus_minus(dimension.value_mm, dimension.uncertainty_mm),
        "most": mm(limits[1], 0),
    }
    if name.startswith(INSIDE):
        return say("{dimension} {value} (at most {most} on the outside)", **values)
    return say("{dimension} {value} (plausible: {least} to {most})", least=number(limits[0]), **values)
