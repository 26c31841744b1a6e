"""Checks what a job sheet says of the fiducials of the vehicle frame."""

from collections.abc import Collection, Mapping
from typing import Any

EXTERIOR = "exterior"
COORDINATES = ("x_mm", "y_mm", "z_mm")


def faults(sheet: str, part: str, written: Mapping[str, Any], segments: Collection[str]) -> list[str]:
    """Sentences on the fiducials of a ``part`` that can't be used; ``sheet``: name of the file."""
    entries = written.get("vehicle_frame", {}).get("fiducials", [])
    if entries and part != EXTERIOR:
        return [f"{sheet}: 'parts.{part}.vehicle_frame' is for an exterior; list fiducials under parts.{EXTERIOR}."]
    found = []
    for at, entry in enumerate(entries):
        key = f"parts.{part}.vehicle_frame.fiducials.{at}"
        places = [name for name in ("target", "point_mm") if name in entry]
        if len(places) != 1:
            found.append(
                f"{sheet}: '{key}' needs exactly one of target, point_mm; it has {' and '.join(places) or 'none'}."
            )
        if not any(name in entry for name in COORDINATES):
            found.append(f"{sheet}: '{key}' has no nominal coordinate; give at least one of {', '.join(COORDINATES)}.")
        if "segment" in entry and entry["segment"] not in segments:
            found.append(f"{sheet}: '{key}.segment' is '{entry['segment']}'; the part has {', '.join(segments)}.")
        if "segment" in entry and "target" in entry:
            found.append(
                f"{sheet}: '{key}' has a target and a segment; the target is that of the network: remove segment."
            )
    names = [str(entry["target"]) for entry in entries if "target" in entry]
    found += [
        f"{sheet}: 'parts.{part}.vehicle_frame.fiducials' names target '{name}' twice; list each once."
        for name in sorted({name for name in names if names.count(name) > 1})
    ]
    return found
