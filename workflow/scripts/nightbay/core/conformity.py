"""Whether a value conforms to its tolerance, by the decision rule of ISO 14253-1 (from memory)."""


def verdict(value: float, uncertainty: float, lower: float | None, upper: float | None) -> str:
    """Whether a ``value`` with its expanded ``uncertainty`` is "inside" or "outside" its tolerance, or "undecided".

    ``lower`` and ``upper``: the limits in the unit of the value, None without one. It is inside only where it is inside
    by the uncertainty, outside only where it is outside by it; between, the measurement can't decide.
    """
    low = float("-inf") if lower is None else lower
    high = float("inf") if upper is None else upper
    if low + uncertainty <= value <= high - uncertainty:
        return "inside"
    if value < low - uncertainty or value > high + uncertainty:
        return "outside"
    return "undecided"
