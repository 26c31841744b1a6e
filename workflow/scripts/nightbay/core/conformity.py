"""Conformity with a tolerance under uncertainty, by the decision rule of ISO 14253-1 (rule from memory)."""

from typing import Literal

Verdict = Literal["inside", "outside", "undecided"]


def verdict(value: float, uncertainty: float, lower: float | None, upper: float | None) -> Verdict:
    """Whether a ``value`` is proved to lie inside or outside the limits ``lower`` and ``upper``, None where open.

    ``uncertainty``: expanded, infinite where it is not known. All have the same unit. "inside" only where the whole
    interval value +- uncertainty lies between the limits, "outside" only where all of it lies beyond one of them.
    """
    low = float("-inf") if lower is None else lower
    high = float("inf") if upper is None else upper
    if low <= value - uncertainty and value + uncertainty <= high:
        return "inside"
    if value + uncertainty < low or value - uncertainty > high:
        return "outside"
    return "undecided"
