"""Checks what a job sheet orders of features: each has one place, and distances and angles name features that exist."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from nightbay.planning import validation

LISTS = ("features", "distances", "angles")
# how a feature is placed: the key that says so, the key that belongs to it
PLACES = {"at_mm": "within_mm", "low_mm": "high_mm", "holes_mm": "within_mm", "station": None, "target": None}
WITH_DIAMETER = ("circle", "hole", "mount", "cylinder", "sphere", "hub", "hole_pattern")
ONLY_OF = {"station": "plane", "target": "point", "holes_mm": "hole_pattern"}  # places that one kind has


def orders(written: Mapping[str, Any]) -> dict[str, list[dict[str, Any]]]:
    """What a part of the job sheet orders: its "features", "distances" and "angles", each sorted by its keys; without
    any of them an empty mapping."""
    if not any(written.get(name) for name in LISTS):
        return {}
    found = {name: [dict(sorted(entry.items())) for entry in written.get(name, [])] for name in LISTS}
    for feature in found["features"]:
        if "station" in feature:
            feature["station"] = dict(sorted(feature["station"].items()))
        if "target" in feature:
            feature["target"] = str(feature["target"])
    return found


def faults(sheet: str, part: str, written: Mapping[str, Any]) -> list[str]:
    """Sentences on the ``features``, ``distances`` and ``angles`` of a ``part`` that can't be used; ``sheet``: name of
    the file."""
    found: list[str] = []
    for name in LISTS:
        names = [entry["name"] for entry in written.get(name, [])]
        found += [
            f"{sheet}: 'parts.{part}.{name}' has the name '{twice}' twice; give each its own."
            for twice in sorted({each for each in names if names.count(each) > 1})
        ]
    known = [feature["name"] for feature in written.get("features", [])]
    for at, feature in enumerate(written.get("features", [])):
        key = f"parts.{part}.features.{at}"
        found += [f"{sheet}: '{key}' {fault}." for fault in (*_place(feature), *_tolerance(feature, "mm"))]
    for name, unit in (("distances", "mm"), ("angles", "deg")):
        for at, entry in enumerate(written.get(name, [])):
            key = f"parts.{part}.{name}.{at}"
            found += [f"{sheet}: '{key}' {fault}." for fault in (*_ends(entry, known), *_tolerance(entry, unit))]
    return found


def _place(feature: Mapping[str, Any]) -> Iterator[str]:
    """What is wrong with the place of a feature, as clauses."""
    given = [key for key in PLACES if key in feature]
    if len(given) != 1:
        yield f"needs exactly one of {', '.join(PLACES)}; it has {' and '.join(given) or 'none'}"
        return
    (place,), kind = given, feature["kind"]
    partner = PLACES[place]
    if partner is not None and partner not in feature:
        yield f"has '{place}' and lacks the key '{partner}'"
    for other in ("within_mm", "high_mm"):
        if other in feature and other != partner:
            yield f"has '{other}', which does not belong to '{place}': remove it"
    if place in ONLY_OF and kind != ONLY_OF[place]:
        yield f"has '{place}', which belongs to kind {ONLY_OF[place]}, and its kind is {kind}: correct one of them"
    if kind == "hole_pattern" and place != "holes_mm":
        yield "is a hole_pattern and lacks the key 'holes_mm': list about where each hole is"
    if place == "low_mm" and partner in feature:
        yield from (
            f"is a box whose {axis.upper()} ends at {high} below its beginning at {low}: exchange low_mm and high_mm"
            for axis, low, high in zip("xyz", feature["low_mm"], feature["high_mm"], strict=True)
            if not low < high
        )
    if not any(feature.get("direction", [1])):
        yield "has the direction 0, 0, 0, which shows none: state where its face looks to"
    if "nominal_mm" in feature and kind not in WITH_DIAMETER:
        yield f"has a nominal diameter, and kind {kind} has none: remove 'nominal_mm'"


def _tolerance(entry: Mapping[str, Any], unit: str) -> Iterator[str]:
    """What is wrong with the nominal value and tolerance of an entry, as clauses."""
    lower, upper = entry.get(f"lower_{unit}"), entry.get(f"upper_{unit}")
    if f"nominal_{unit}" not in entry and (lower is not None or upper is not None):
        yield f"has a tolerance and lacks the key 'nominal_{unit}', which it counts from"
    if lower is not None and upper is not None and lower > upper:
        yield f"allows deviations from {lower} to {upper}: exchange lower_{unit} and upper_{unit}"


def _ends(entry: Mapping[str, Any], known: Sequence[str]) -> Iterator[str]:
    """What is wrong with the features that an entry names, as clauses."""
    for end in ("from", "to"):
        if entry[end] not in known:
            hint = validation.nearest(entry[end], list(known)) if known else "the part has no features"
            yield f"names the feature '{entry[end]}' as '{end}', which the part does not have ({hint})"
    if entry["from"] == entry["to"]:
        yield f"names '{entry['from']}' at both ends: name two features"
