"""Checks what a job sheet says of calibrated artefacts: each kind has the values that it needs, and no others."""

import datetime
import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

COMMON = (
    "name", "kind", "coverage_factor", "expansion_per_k", "temperature_c", "temperature_sd_c", "certificate",
    "calibrated_on",
)  # fmt: skip
NEEDED = {
    "sphere": ("diameter_mm", "diameter_uncertainty_mm"),
    "ball_bar": ("diameter_mm", "diameter_uncertainty_mm", "distance_mm", "distance_uncertainty_mm"),
    "plate": ("size_mm",),
    "scale_bar": ("from", "to", "distance_mm", "distance_uncertainty_mm"),
}
ALLOWED = {"sphere": ("form_mm",), "ball_bar": ("form_mm",), "plate": ("flatness_mm", "flatness_uncertainty_mm")}
TOGETHER = (("temperature_c", "temperature_sd_c"), ("flatness_mm", "flatness_uncertainty_mm"))


def faults(sheet: str, artefacts: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """Sentences on entries that can't be used; ``sheet``: name of the file."""
    names = [entry["name"] for entry in artefacts]
    for name in sorted({name for name in names if names.count(name) > 1}):
        yield f"{sheet}: 'parts.artefact.artefacts' has the name '{name}' twice; give each artefact its own."
    for at, entry in enumerate(artefacts):
        key, kind = f"parts.artefact.artefacts.{at}", entry["kind"]
        for missing in NEEDED[kind]:
            if missing not in entry:
                yield f"{sheet}: '{key}' is a {kind} and lacks the key '{missing}': add it from the certificate."
        for extra in entry:
            if extra not in (*COMMON, *NEEDED[kind], *ALLOWED.get(kind, ())):
                yield f"{sheet}: '{key}' is a {kind}, which has no '{extra}': remove the key or correct 'kind'."
        for pair in TOGETHER:
            given = [name for name in pair if name in entry]
            if len(given) == 1:
                other = next(name for name in pair if name not in entry)
                yield f"{sheet}: '{key}' has '{given[0]}' without '{other}': add it, or remove both."
        if "temperature_c" in entry and "expansion_per_k" not in entry:
            yield (
                f"{sheet}: '{key}' has 'temperature_c' without 'expansion_per_k': add that of the artefact's material."
            )
        try:
            datetime.date.fromisoformat(entry.get("calibrated_on", "2000-01-01"))
        except ValueError:
            yield f"{sheet}: '{key}.calibrated_on' is '{entry['calibrated_on']}'; no calendar has this day: correct it."


def plain(entry: Mapping[str, Any]) -> dict[str, Any]:
    """An entry with its keys in order and the ids of its targets as text."""
    return {key: str(entry[key]) if key in ("from", "to") else entry[key] for key in sorted(entry)}


def plausible(artefacts: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """What intake checks the size of a segment by, in place of a class of vehicles.

    A segment shows at least the smallest artefact and at most the largest with what stands round it. Powers of two, so
    that a corrected calibration does not read the raw files again.
    """
    spans_mm = [_span_mm(entry) for entry in artefacts]
    least, most = 2.0 ** math.floor(math.log2(min(spans_mm))), 2.0 ** math.ceil(math.log2(max(spans_mm)))
    axes = {"length": [least, most], "width": [least, most], "height": [least, most]}
    return {"vehicle_class": "calibrated artefact", "extent_mm": axes}


def _span_mm(entry: Mapping[str, Any]) -> float:
    return max(entry.get("diameter_mm", 0.0), entry.get("distance_mm", 0.0), *entry.get("size_mm", (0.0,)))
