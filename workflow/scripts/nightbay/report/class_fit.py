"""Whether what was measured of a vehicle fits the class that its job sheet declares, and which classes it would fit."""

from nightbay.core.text_format import THIN, listing, mm, number, plus_minus

INSIDE = "inner_"


def warning(part_name, dimensions, vehicle_class, extents_mm):
    """A sentence on the dimensions of a part that lie outside their class's range by more than their uncertainty.

    ``dimensions`` {name: record of measure}; ``extents_mm`` {class: {dimension: [least, most] mm of the whole
    vehicle}}. An inner dimension is held against the most only. None where all fit, or the class states no range.
    """
    beyond = _misfits(dimensions, _held(dimensions, extents_mm.get(vehicle_class, {})))
    if not beyond:
        return None
    told = [
        f"{name.replace('_', ' ')} {plus_minus(dimensions[name]['value_mm'], dimensions[name]['uncertainty_mm'])} "
        f"({_allowed(name, limits)})"
        for name, limits in beyond.items()
    ]
    held = {other: _held(dimensions, ranges) for other, ranges in sorted(extents_mm.items())}
    fitting = [other for other, limits in held.items() if limits and not _misfits(dimensions, limits)]
    return (
        f"The {part_name} does not fit vehicle class {vehicle_class}: {listing(told)}; check vehicle_class and units "
        f"on the job sheet ({f'its size fits {listing(fitting)}' if fitting else 'its size fits no class'})."
    )


def _held(dimensions, ranges):
    """What a class states of the dimensions that were taken, {name: [least, most] mm}, in the order of its file."""
    return {name: ranges[outer] for outer in ranges for name in (outer, INSIDE + outer) if name in dimensions}


def _misfits(dimensions, limits):
    """Those of the ``limits`` {name: [least, most] mm} that a dimension does not keep."""
    found = {}
    for name, (least, most) in limits.items():
        one = dimensions[name]
        # with an end that was not measured the vehicle may be larger, and its inside is smaller than its outside
        at_least = bool(one.get("unscanned_ends")) or name.startswith(INSIDE)
        too_small = one["value_mm"] + one["uncertainty_mm"] < least and not at_least
        if too_small or one["value_mm"] - one["uncertainty_mm"] > most:
            found[name] = [least, most]
    return found


def _allowed(name, limits):
    if name.startswith(INSIDE):
        return f"at most {mm(limits[1], 0)} on the outside"
    return f"plausible: {number(limits[0])} to {number(limits[1])}{THIN}mm"
