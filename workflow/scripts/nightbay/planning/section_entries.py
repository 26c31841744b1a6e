"""Checks what a job sheet says of sections: each gives its plane in one way, and a page can hold them all."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

# Planes of a part that a job sheet may ask for. A drawing has some 8 kB: this many add 1.6 MB to a page of some 5 MB.
MOST = 200
AXIS_KEYS, POINT_KEYS, RANGE_KEYS = ("axis",), ("point_mm", "normal"), ("from_mm", "to_mm", "pitch_mm")


def of_part(written: Sequence[Mapping[str, Any]], part: str, parts: Sequence[str]) -> list[dict[str, Any]]:
    """The entries that are for a ``part``, without the key that says so; ``parts``: of the job."""
    return [
        {key: value for key, value in entry.items() if key != "part"}
        for entry in written
        if entry.get("part", _usual(parts)) == part
    ]


def _usual(parts: Sequence[str]) -> str:
    return "exterior" if "exterior" in parts else "interior"


def faults(sheet: str, written: Sequence[Mapping[str, Any]], parts: Sequence[str]) -> list[str]:
    """Sentences on the entries of ``sections`` that can't be used; ``sheet``: name of the file."""
    found = []
    for at, entry in enumerate(written):
        found += _faults(f"{sheet}: 'sections.{at}'", entry, parts)
    names = [entry["name"] for entry in written]
    found += [
        f"{sheet}: 'sections' has the name '{name}' twice; give each section its own."
        for name in sorted({name for name in names if names.count(name) > 1})
    ]
    for part in parts if not found else []:
        planes = sum(map(_count, of_part(written, part, parts)))
        if planes > MOST:
            found.append(
                f"{sheet}: 'sections' asks for {planes} planes of the {part}, and a page holds at most {MOST}: make "
                "'pitch_mm' larger or the ranges shorter."
            )
    return found


def _faults(where: str, entry: Mapping[str, Any], parts: Sequence[str]) -> Iterator[str]:
    """What is wrong with an entry, sentences; ``where``: file and key, as they begin."""
    if entry.get("part", parts[0]) not in parts:
        yield f"{where} is for the {entry['part']}, which the job does not have: remove the entry or its key 'part'."
    across, through = (any(key in entry for key in keys) for keys in (AXIS_KEYS, POINT_KEYS))
    if across == through or (through and not all(key in entry for key in POINT_KEYS)):
        yield f"{where} needs either axis, or both point_mm and normal: correct its keys."
        return
    if not any(entry.get("normal", [1.0])):
        yield f"{where} has a normal of length zero, which gives no direction: state one such as [0, 0, 1]."
    ranged = [key for key in RANGE_KEYS if key in entry]
    if ranged and len(ranged) < len(RANGE_KEYS):
        missing = ", ".join(key for key in RANGE_KEYS if key not in entry)
        yield f"{where} has a range without {missing}: a range needs from_mm, to_mm and pitch_mm."
        return
    if across and ("value_mm" in entry) == bool(ranged):
        yield f"{where} needs either value_mm, or a range of from_mm, to_mm and pitch_mm: correct its keys."
    if through and "value_mm" in entry:
        yield f"{where} has value_mm, which belongs to an axis: remove it, the plane goes through point_mm."
    if ranged and entry["to_mm"] < entry["from_mm"]:
        yield f"{where} has a range from {entry['from_mm']} to {entry['to_mm']} mm: exchange from_mm and to_mm."


def _count(entry: Mapping[str, Any]) -> int:
    """How many planes an entry asks for."""
    if "pitch_mm" not in entry:
        return 1
    return int((entry["to_mm"] - entry["from_mm"]) / entry["pitch_mm"] + 1e-9) + 1
