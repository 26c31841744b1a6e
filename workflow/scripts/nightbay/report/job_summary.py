"""A job's results in the sentences of the report: its state, summary, main sizes and how well they are known."""

from collections.abc import Sequence
from typing import Any

from nightbay.core.text_format import THIN, listing, mm, number, plural, share
from nightbay.measure.result import COVERAGE
from nightbay.report import registration
from nightbay.report.joined import Joined
from nightbay.report.part import Part

COMPLETE, WARNED, REFUSED = "complete", "complete with warnings", "refused"
DIMENSIONS = {  # as tables and drawings name them
    "length": "Length",
    "width": "Width",
    "width_over_mirrors": "Width over mirrors",
    "height": "Height",
    "height_body": "Height of the body",
    "wheelbase": "Wheelbase",
    "inner_length": "Inner length",
    "inner_width": "Inner width",
    "inner_height": "Inner height",
}
SIZES = {  # as the summary words them, after the value
    "length": "long",
    "width": "wide",
    "height": "high",
    "inner_length": "long inside",
    "inner_width": "wide inside",
    "inner_height": "high inside",
}
OUTSIDE = {  # what the board shows of an exterior
    key: DIMENSIONS[key] for key in ("length", "width", "width_over_mirrors", "height", "wheelbase")
}
# What the board shows of a room, and the extent that stands for it where none of these could be taken.
INSIDE = {
    ("length_floor",): "inner_length",
    ("width_floor", "width_wheel_boxes"): "inner_width",
    ("height_roof", "height_bows"): "inner_height",
    ("rear_opening_width_floor", "rear_opening_height", "opening_width_rear_wall_1", "opening_height_rear_wall_1"): "",
}
ORDERED = "distance_"  # begins the key of a distance that the job sheet asks for
# Sizes between the bare surfaces of a room say more than its extents, which reach through apertures.
BETWEEN_WALLS = {"inner_length": "length_floor", "inner_width": "width_floor", "inner_height": "height_roof"}


def state_of(parts: Sequence[Part], warnings: Sequence[str]) -> str:
    """The job's state in words: COMPLETE, WARNED or REFUSED."""
    if all(part.reasons for part in parts):
        return REFUSED
    return WARNED if warnings else COMPLETE


def summary_of(part: Part) -> str:
    """What was made of a part, how well its segments agree and how complete it is, in two or three sentences."""
    if part.reasons:
        return f"The {part.name} could not be made: {part.reasons[0]['sentence']}"
    made = f"The {part.name} was made from {plural(len(part.placed), '{count} segment', '{count} segments')}"
    made += f" and {_count_in_words(part.points)}" if part.points else ""
    sizes = _sizes_in_words(part)
    sentences = [made + (": " + ", ".join(sizes) if sizes else "") + "."]
    if part.refine and part.refine.discrepancies:
        worst = max(part.refine.discrepancies, key=lambda pair: pair.after.rms_mm)
        sentences.append(
            f"Overlapping segments agree within {mm(worst.after.rms_mm)} (root mean square of the worst pair, "
            f"{listing(worst.segments)})."
        )
    if part.fill:
        whole_mm2 = part.fill.filled_area_mm2 + part.fill.measured_area_mm2
        filled = share(part.fill.filled_area_mm2 / max(whole_mm2, 1e-9), 2)
        sentences.append(
            f"Small gaps closed and marked: {number(part.fill.gaps)}, {filled} of the surface. Openings left: "
            f"{number(part.fill.open.count)}."
        )
    return " ".join(sentences)


def _count_in_words(points: int) -> str:
    return f"{number(points)} points" if points < 1e6 else f"{number(points / 1e6, 1)} million points"


def _sizes_in_words(part: Part) -> list[str]:
    dimensions = dict(part.measure.dimensions) if part.measure else {}
    room = {entry.key: entry.size for entry in part.measure.room} if part.measure else {}
    dimensions |= {name: room[key] for name, key in BETWEEN_WALLS.items() if key in room}
    sizes = [
        f"{'at least ' if dimensions[name].unscanned_ends else ''}{number(dimensions[name].value_mm)}{THIN}mm {word}"
        for name, word in SIZES.items()
        if name in dimensions
    ]
    if "wheelbase" in dimensions:
        sizes.append(f"wheelbase {number(dimensions['wheelbase'].value_mm)}{THIN}mm")
    return sizes


def sizes_of(part: Part) -> list[dict[str, Any]]:
    """The sizes of a part that the board shows: {"part", "key", "name", "value_mm", "uncertainty_mm", "at_least"}.

    Of a room those between its bare surfaces, and its extents only where these could not be taken.
    """
    if part.reasons or part.measure is None:
        return []
    dimensions, room = part.measure.dimensions, {entry.key: entry for entry in part.measure.room}
    named = [(key, name, dimensions[key]) for key, name in OUTSIDE.items() if key in dimensions]
    for keys, extent in INSIDE.items():
        found = [(key, room[key].title, room[key].size) for key in keys if key in room]
        if not found and extent in dimensions:
            found = [(extent, DIMENSIONS[extent], dimensions[extent])]
        named += found
    named += [(key, entry.title, entry.size) for key, entry in room.items() if key.startswith(ORDERED)]
    return [
        {
            "part": part.name,
            "key": key,
            "name": name,
            "value_mm": size.value_mm,
            "uncertainty_mm": size.uncertainty_mm,
            "at_least": bool(size.unscanned_ends),
        }
        for key, name, size in named
    ]


def evidence_of(part: Part, fit_tolerance_mm: float | None = None) -> list[str]:
    """How well a part is known, in a phrase for the board: how closely parts can be fitted to it, check targets,
    overlaps, poses without targets; none where it was refused."""
    if part.reasons:
        return []
    found = [] if fit_tolerance_mm is None else [f"parts can be fitted to about ±{mm(fit_tolerance_mm)} (95 %)"]
    check = part.network.check_targets if part.network else None
    if check:
        found.append(f"check targets predicted to {mm(check.rms_mm)} (rms of {number(check.count)})")
    if part.refine and part.refine.discrepancies:
        worst = max(part.refine.discrepancies, key=lambda pair: pair.after.rms_mm)
        found.append(f"overlaps agree to {mm(worst.after.rms_mm)} (rms of the worst pair)")
    surfaces = registration.short(part)
    found += [surfaces] if surfaces else []
    return [f"{part.name[0].upper()}{part.name[1:]}: {listing(found)}"] if found else []


def joined_in_words(both: Joined | None) -> str | None:
    """How inside is joined to outside, in a sentence for the board; None where there are not both."""
    if both is None:
        return None
    if both.result is None:
        return "Inside and outside are not joined; they are two models, each in a frame of its own."
    by = {
        "targets": "targets that both saw",
        "points": "named points",
        "points and surfaces": "named points and surface that both saw",
        "surfaces": "surface that both saw",
    }[both.result.found_by]
    return (
        f"Inside joined to outside by {by}: middle ±{mm(COVERAGE * both.result.middle_sd_mm)}, worst corner "
        f"±{mm(COVERAGE * both.result.corner_sd_mm)} (95 %)."
    )
