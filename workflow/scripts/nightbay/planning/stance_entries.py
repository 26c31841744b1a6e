"""Checks what a job sheet says of the stance of a vehicle: which segment shows it as the model should have it."""

from collections.abc import Mapping, Sequence
from typing import Any

KEYS = {"wheels_from": "wheels and ground", "panels_from": "doors and lids"}


def faults(sheet: str, part: str, written: Mapping[str, Any], segments: Sequence[str]) -> list[str]:
    """Sentences on the entries of ``stance`` of a ``part`` that can't be used; ``sheet``: name of the file."""
    stance = written.get("stance", {})
    found = []
    if stance and part == "interior":
        found.append(
            f"{sheet}: 'parts.{part}.stance' is given, but an interior does not stand on wheels: remove it, or move it "
            "to the exterior."
        )
    for key, what in KEYS.items():
        if key in stance and stance[key] not in segments:
            found.append(
                f"{sheet}: 'parts.{part}.stance.{key}' is '{stance[key]}', which is no segment: name the one that "
                f"{what} are taken from, out of {', '.join(segments)}."
            )
    return found
