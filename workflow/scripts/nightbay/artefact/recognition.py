"""Which of the spheres that a segment shows are the artefacts of the job sheet, or why that is not decided."""

from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import Any

import numpy as np

from nightbay.artefact.sphere_search import Candidate

Entry = Mapping[str, Any]


def recognised(
    entries: Sequence[Entry],
    found: Sequence[Candidate],
    where: str,
    size_error_most_mm: float,
    spacing_error_most: float,
) -> dict[str, list[Candidate] | str]:
    """By name of each sphere and ball bar among the ``entries`` its spheres, or a sentence on why it is not decided.

    ``found``: all spheres of the segment; ``where``: name of the file. Bars come first: a pair at the bar's distance
    belongs to it, and what is left decides about single spheres.
    """
    decided: dict[str, list[Candidate] | str] = {}
    used: list[Candidate] = []
    for entry in (entry for entry in entries if entry["kind"] == "ball_bar"):
        matching = _matching(entry, found, size_error_most_mm)
        pairs = [pair for pair in combinations(matching, 2) if _spacing_fits(entry, pair, spacing_error_most)]
        if len(pairs) == 1:
            decided[entry["name"]] = list(pairs[0])
            used += pairs[0]
        else:
            decided[entry["name"]] = _no_bar(entry, matching, found, len(pairs), where, size_error_most_mm)
    for entry in (entry for entry in entries if entry["kind"] == "sphere"):
        left = [sphere for sphere in found if not any(sphere is other for other in used)]
        matching = _matching(entry, left, size_error_most_mm)
        decided[entry["name"]] = (
            matching if len(matching) == 1 else _no_sphere(entry, matching, left, where, size_error_most_mm)
        )
    return _no_sphere_twice(entries, decided, where)


def _matching(entry: Entry, found: Sequence[Candidate], most_mm: float) -> list[Candidate]:
    return [sphere for sphere in found if abs(2 * sphere.radius_mm - entry["diameter_mm"]) <= most_mm]


def _distance_mm(pair: Sequence[Candidate]) -> float:
    return float(np.linalg.norm(pair[1].centre_mm - pair[0].centre_mm))


def _spacing_fits(entry: Entry, pair: Sequence[Candidate], most: float) -> bool:
    return abs(_distance_mm(pair) - entry["distance_mm"]) <= most * entry["distance_mm"]


def _no_sphere(
    entry: Entry, matching: Sequence[Candidate], found: Sequence[Candidate], where: str, most_mm: float
) -> str:
    name, diameter = entry["name"], entry["diameter_mm"]
    if matching:
        return (
            f"{where}: {len(matching)} spheres of {diameter:g} mm were found, and nothing decides which of them is "
            f"artefact {name}: scan it without the others."
        )
    if found:
        near = min(found, key=lambda sphere: abs(2 * sphere.radius_mm - diameter))
        return (
            f"{where}: no sphere of {diameter:g} mm was found for artefact {name}, and the nearest in size measures "
            f"{2 * near.radius_mm:.2f} mm, more than {most_mm:g} mm apart (parameter artefact.size_error_most_mm): "
            "it is another sphere, or the scanner is as far off; check diameter_mm and scan it again."
        )
    return (
        f"{where}: no sphere of {diameter:g} mm was found for artefact {name}: check diameter_mm, or scan the sphere "
        "from more sides."
    )


def _no_bar(
    entry: Entry,
    matching: Sequence[Candidate],
    found: Sequence[Candidate],
    pairs: int,
    where: str,
    most_mm: float,
) -> str:
    name, distance = entry["name"], entry["distance_mm"]
    if pairs:
        return (
            f"{where}: {pairs} pairs of spheres are {distance:g} mm apart, and nothing decides which of them is "
            f"artefact {name}: scan the bar without the others."
        )
    if len(matching) >= 2:
        nearest = min(map(_distance_mm, combinations(matching, 2)), key=lambda found: abs(found - distance))
        return (
            f"{where}: the spheres that were found are {nearest:.2f} mm apart, and artefact {name} has {distance:g} "
            "mm, more than parameter artefact.spacing_error_most allows: check distance_mm and scan the bar in one run."
        )
    if len(matching) == 1:
        return (
            f"{where}: only one sphere of {entry['diameter_mm']:g} mm was found for artefact {name}: scan both ends "
            "of the bar in one run."
        )
    return _no_sphere(entry, matching, found, where, most_mm)


def _no_sphere_twice(
    entries: Sequence[Entry], decided: dict[str, list[Candidate] | str], where: str
) -> dict[str, list[Candidate] | str]:
    """A sphere that two artefacts claim belongs to neither."""
    claims = [
        (entry["name"], sphere)
        for entry in entries
        if isinstance(spheres := decided.get(entry["name"]), list)
        for sphere in spheres
    ]
    for (first, sphere), (second, other) in combinations(claims, 2):
        if sphere is other and first != second:
            for name, rival in ((first, second), (second, first)):
                decided[name] = (
                    f"{where}: artefacts {name} and {rival} have about the same size, and only one of them was found: "
                    "scan each in a segment of its own."
                )
    return decided
