"""Checks what a job sheet says of a room: each entry names its plane or point in one way, and a segment that exists."""

from collections.abc import Collection, Iterator, Mapping
from typing import Any

INTERIOR = "interior"
AXIS_WAYS, PLACE_WAYS = ("plane", "near_mm", "points_mm"), ("plane", "near_mm", "point_mm")


def faults(sheet: str, part: str, written: Mapping[str, Any], segments: Collection[str]) -> list[str]:
    """Sentences on the ``axes`` and ``sizes`` of a ``part`` that can't be used; ``sheet``: name of the file."""
    found = []
    if part != INTERIOR and written.get("sizes"):
        found.append(f"{sheet}: 'parts.{part}.sizes' is for an interior; list them under parts.interior.")
    for key, value, ways in _entries(part, written):
        if part != INTERIOR and ways == AXIS_WAYS:
            found.append(
                f"{sheet}: '{key}' names a plane, which only an interior has; allowed are +x, -x, +y, -y, +z, -z."
            )
            continue
        given = [way for way in ways if way in value]
        if len(given) != 1:
            found.append(
                f"{sheet}: '{key}' needs exactly one of {', '.join(ways)}; it has {' and '.join(given) or 'none'}."
            )
            continue
        if given != ["plane"] and "segment" not in value and len(segments) > 1:
            found.append(
                f"{sheet}: '{key}' lacks the key 'segment', whose raw coordinates the point has; the part has "
                f"{', '.join(segments)}."
            )
        if "segment" in value and value["segment"] not in segments:
            found.append(f"{sheet}: '{key}.segment' is '{value['segment']}'; the part has {', '.join(segments)}.")
    names = [size["name"] for size in written.get("sizes", [])]
    found += [
        f"{sheet}: 'parts.{part}.sizes' has the name '{name}' twice; give each distance its own."
        for name in sorted({name for name in names if names.count(name) > 1})
    ]
    return found


def _entries(part: str, written: Mapping[str, Any]) -> Iterator[tuple[str, Mapping[str, Any], tuple[str, ...]]]:
    """Every mapping that names a plane or a point: its key in the sheet, itself, and the ways that are open to it."""
    for name, value in written.get("axes", {}).items():
        if isinstance(value, dict):
            yield f"parts.{part}.axes.{name}", value, AXIS_WAYS
    for at, size in enumerate(written.get("sizes", [])):
        for end in ("from", "to"):
            yield f"parts.{part}.sizes.{at}.{end}", size[end], PLACE_WAYS
