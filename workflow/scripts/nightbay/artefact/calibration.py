"""Calibrated values of an artefact at the temperature that it had while it was scanned."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

REFERENCE_C = 20.0  # ISO 1
# Standard uncertainty of a coefficient of expansion, as a share of it: handbooks give steel 11 to 12 and aluminium 23
# to 24 micrometres per metre and kelvin (values from memory).
EXPANSION_SHARE = 0.05


@dataclass(frozen=True)
class Calibrated:
    """A length ``value_mm`` with its standard uncertainties by cause, mm."""

    value_mm: float
    budget_mm: dict[str, float]


def length(entry: Mapping[str, Any], key: str) -> Calibrated:
    """The calibrated ``diameter`` or ``distance`` (``key``) of an artefact of the job sheet.

    It is stated at 20 degrees Celsius (ISO 1), and grows with the temperature of the artefact. Where that is not known
    the value is taken as it stands, and the budget has no entry for it.
    """
    at_20 = entry[f"{key}_mm"]
    budget_mm = {"calibration": entry[f"{key}_uncertainty_mm"] / entry["coverage_factor"]}
    if "temperature_c" not in entry:
        return Calibrated(at_20, budget_mm)
    warmer, expansion = entry["temperature_c"] - REFERENCE_C, entry["expansion_per_k"]
    budget_mm["temperature"] = at_20 * expansion * entry["temperature_sd_c"]
    budget_mm["expansion"] = at_20 * expansion * abs(warmer) * EXPANSION_SHARE
    return Calibrated(at_20 * (1.0 + expansion * warmer), budget_mm)
