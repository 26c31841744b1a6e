"""Checks what a job sheet says of the stance of a vehicle: which segment shows it as the model should have it."""

from collections.abc import Mapping, Sequence
from typing import Any

KEYS = ("wheels_from", "panels_from")


def faults(sheet: str, part: str, written: Mapping[str, Any], segments: Sequence[str]) -> list[str]:
    """Sentences on the entries of ``stance`` of a ``part`` that can't be used; ``sheet``: name of the file."""
    stance = written.get("stance", {})
    found = []
    if stance and part == "interior":
        found.append(
            f"{sheet}: 'parts.{part}.stance' is given, but an interior does not stand on wheels: remove it, or move it "
            "to the exterior."
        )
    for key in KEYS:
        if key in stance and stance[key] not in segments:
            found.append(
                f"{sheet}: 'parts.{part}.stance.{key}' is '{stance[key]}', which is no segment: write one "
                f"of {', '.join(segments)}."
            )
    return found
