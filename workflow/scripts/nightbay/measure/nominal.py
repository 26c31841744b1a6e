"""Measured against nominal values: the difference, whether it is significant, and the verdict on a tolerance."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from nightbay.core import conformity
from nightbay.measure.result import Angle, Dimension, Tolerance


def dimension(stated: Dimension, given: float | Mapping[str, Any] | None) -> Dimension:
    """A dimension with the nominal value that the job sheet gives, a number or a mapping with its tolerance; mm.

    With an unscanned end the dimension may be longer than measured, and where it is stated as at most, shorter: only a
    difference that this does not explain is significant, and none is inside a tolerance.
    """
    if given is None:
        return stated
    nominal_mm, tolerance = _read(given)
    difference_mm = stated.value_mm - nominal_mm
    significant, verdict = _judged(
        difference_mm, stated.uncertainty_mm, tolerance, bool(stated.unscanned_ends), stated.at_most
    )
    return replace(
        stated,
        nominal_mm=nominal_mm,
        difference_mm=difference_mm,
        significant=significant,
        tolerance=tolerance,
        verdict=verdict,
    )


def angle(stated: Angle, given: float | Mapping[str, Any] | None) -> Angle:
    """The same of an angle, in deg."""
    if given is None:
        return stated
    nominal_deg, tolerance = _read(given)
    difference_deg = stated.value_deg - nominal_deg
    significant, verdict = _judged(difference_deg, stated.uncertainty_deg, tolerance, False, stated.at_most)
    return replace(
        stated,
        nominal_deg=nominal_deg,
        difference_deg=difference_deg,
        significant=significant,
        tolerance=tolerance,
        verdict=verdict,
    )


def _read(given: float | Mapping[str, Any]) -> tuple[float, Tolerance | None]:
    if not isinstance(given, Mapping):
        return float(given), None
    lower, upper = given.get("lower"), given.get("upper")
    return float(given["nominal"]), None if lower is None and upper is None else Tolerance(lower, upper)


def _judged(
    difference: float, uncertainty: float, tolerance: Tolerance | None, at_least: bool, at_most: bool
) -> tuple[bool | None, str | None]:
    """Whether a difference is significant, None where an open end leaves it open, and the verdict on the tolerance."""
    beyond = abs(difference) > uncertainty
    conclusive = beyond and ((difference > 0 and not at_most) or (difference < 0 and not at_least))
    significant = beyond if not (at_least or at_most) or conclusive else None
    if tolerance is None:
        return significant, None
    if not (at_least or at_most):
        return significant, conformity.verdict(difference, uncertainty, tolerance.lower, tolerance.upper)
    # the value is a bound: it can only show that the limit on its side is passed
    lower, upper = (None if at_least else tolerance.lower), (None if at_most else tolerance.upper)
    verdict = conformity.verdict(difference, uncertainty, lower, upper)
    return significant, "outside" if verdict == "outside" else "undecided"
