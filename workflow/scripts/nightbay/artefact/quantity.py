"""A quantity with its expanded uncertainty, from the standard uncertainties by cause."""

from nightbay.artefact import uncertainty
from nightbay.artefact.result import Quantity

POINTS = "points"  # the cause whose size the points themselves show


def of(
    key: str,
    number: int | None,
    value_mm: float,
    budget_mm: dict[str, float],
    degrees_of_freedom: float,
    measured_mm: float | None = None,
    calibrated_mm: float | None = None,
) -> Quantity:
    """The :class:`~nightbay.artefact.result.Quantity`; ``degrees_of_freedom``: degrees of freedom of the cause
    :data:`POINTS`."""
    known = {POINTS: degrees_of_freedom} if POINTS in budget_mm else {}
    expanded_mm, coverage = uncertainty.expanded(budget_mm, known)
    return Quantity(key, number, value_mm, expanded_mm, coverage, budget_mm, measured_mm, calibrated_mm)
