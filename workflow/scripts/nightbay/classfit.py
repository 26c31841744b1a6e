"""Whether what was measured of a vehicle fits the class that its job sheet declares, and which classes it would fit."""

from nightbay.wording import THIN, listing, mm, number, plus_minus

INSIDE = "inner_"


def warning(part_name, dimensions, vehicle_class, extents_mm):
    """A sentence on the dimensions of a part that lie outside their class's range by more than their uncertainty.

    ``dimensions`` {name: record of measure}; ``extents_mm`` {class: {dimension: [least, most] mm of the whole
    vehicle}}. An inner dimension is held against the most only. None where all fit, or the class states no range.
    """
    ranges = extents_mm.get(vehicle_class, {})
    order = list(ranges)  # dimensions come sorted by name from a JSON
    names = {name: name.removeprefix(INSIDE) for name in dimensions}
    held = sorted((name for name, outer in names.items() if outer in ranges), key=lambda name: order.index(names[name]))
    beyond = [name for name in held if not _fits(name, dimensions, ranges[names[name]])]
    if not beyond:
        return None
    told = [
        f"{name.replace('_', ' ')} {plus_minus(dimensions[name]['value_mm'], dimensions[name]['uncertainty_mm'])} "
        f"({_allowed(name, ranges[names[name]])})"
        for name in beyond
    ]
    fitting = [
        other
        for other, known in sorted(extents_mm.items())
        if any(outer in known for outer in names.values())
        and all(_fits(name, dimensions, known[outer]) for name, outer in names.items() if outer in known)
    ]
    return (
        f"The {part_name} does not fit vehicle class {vehicle_class}: {listing(told)}; check vehicle_class and units "
        f"on the job sheet ({f'its size fits {listing(fitting)}' if fitting else 'its size fits no class'})."
    )


def _fits(name, dimensions, limits):
    one, (least, most) = dimensions[name], limits
    if one["value_mm"] - one["uncertainty_mm"] > most:
        return False
    # with an end that was not measured the vehicle may be larger, and its inside is smaller than its outside
    at_least = bool(one.get("hidden_ends")) or name.startswith(INSIDE)
    return at_least or one["value_mm"] + one["uncertainty_mm"] >= least


def _allowed(name, limits):
    if name.startswith(INSIDE):
        return f"at most {mm(limits[1], 0)} outside"
    return f"plausible are {number(limits[0])} to {number(limits[1])}{THIN}mm"
