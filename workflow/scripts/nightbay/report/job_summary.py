"""A job's results in the sentences of the report: its state, summary, main sizes and how well they are known."""

from collections.abc import Sequence
from typing import Any

from nightbay.core.language import phrase, say, stage_sentence
from nightbay.core.text_format import listing, mm, number, plural, share
from nightbay.measure.result import COVERAGE
from nightbay.report import registration
from nightbay.report.joined import Joined
from nightbay.report.part import Part

COMPLETE, WARNED, REFUSED = "complete", "complete with warnings", "refused"
DIMENSIONS = {  # as tables and drawings name them
    "length": phrase("Length"),
    "width": phrase("Width"),
    "width_over_mirrors": phrase("Width over mirrors"),
    "height": phrase("Height"),
    "height_body": phrase("Height of the body"),
    "wheelbase": phrase("Wheelbase"),
    "track_front": phrase("Track, first axle"),
    "track_rear": phrase("Track, last axle"),
    "over_tyres_front": phrase("Width over the tyres, first axle"),
    "over_tyres_rear": phrase("Width over the tyres, last axle"),
    "front_overhang": phrase("Front overhang"),
    "rear_overhang": phrase("Rear overhang"),
    "rear_overhang_body": phrase("Rear overhang of the body"),
    "ground_clearance": phrase("Ground clearance"),
    "inner_length": phrase("Inner length"),
    "inner_width": phrase("Inner width"),
    "inner_height": phrase("Inner height"),
}
IN_SENTENCES = {
    "length": phrase("length"),
    "width": phrase("width"),
    "width_over_mirrors": phrase("width over mirrors"),
    "height": phrase("height"),
    "height_body": phrase("height of the body"),
    "wheelbase": phrase("wheelbase"),
    "track_front": phrase("track of the first axle"),
    "track_rear": phrase("track of the last axle"),
    "over_tyres_front": phrase("width over the tyres of the first axle"),
    "over_tyres_rear": phrase("width over the tyres of the last axle"),
    "front_overhang": phrase("front overhang"),
    "rear_overhang": phrase("rear overhang"),
    "rear_overhang_body": phrase("rear overhang of the body"),
    "ground_clearance": phrase("ground clearance"),
    "inner_length": phrase("inner length"),
    "inner_width": phrase("inner width"),
    "inner_height": phrase("inner height"),
}
SIZES = {  # as the summary words them: a length, and a lower bound of one
    "length": (phrase("{length} long"), phrase("at least {length} long")),
    "width": (phrase("{length} wide"), phrase("at least {length} wide")),
    "height": (phrase("{length} high"), phrase("at least {length} high")),
    "inner_length": (phrase("{length} long inside"), phrase("at least {length} long inside")),
    "inner_width": (phrase("{length} wide inside"), phrase("at least {length} wide inside")),
    "inner_height": (phrase("{length} high inside"), phrase("at least {length} high inside")),
}
JOINED_BY = {
    "targets": phrase("targets that both saw"),
    "points": phrase("named points"),
    "points and surfaces": phrase("named points and surface that both saw"),
    "surfaces": phrase("surface that both saw"),
}
OUTSIDE = ("length", "width", "width_over_mirrors", "height", "wheelbase")  # what the board shows of an exterior
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


def dimension_in_words(name: str) -> str:
    """The name of a dimension as a sentence has it."""
    return say(IN_SENTENCES[name]) if name in IN_SENTENCES else name


def summary_of(part: Part) -> str:
    """What was made of a part, how well its segments agree and how complete it is, in two or three sentences."""
    if part.reasons:
        reason = stage_sentence(part.reasons[0]["sentence"])
        return say("The {part} could not be made: {reason}", part=part.noun, reason=reason)
    sentences = [_made(part)]
    if part.refine and part.refine.discrepancies:
        worst = max(part.refine.discrepancies, key=lambda pair: pair.after.rms_mm)
        sentences.append(
            say(
                "Overlapping segments agree within {rms} (root mean square of the worst pair, {segments}).",
                rms=mm(worst.after.rms_mm),
                segments=listing(worst.segments),
            )
        )
    if part.fill:
        whole_mm2 = part.fill.filled_area_mm2 + part.fill.measured_area_mm2
        sentences.append(
            say(
                "Small gaps closed and marked: {gaps}, {share} of the surface. Openings left: {openings}.",
                gaps=number(part.fill.gaps),
                share=share(part.fill.filled_area_mm2 / max(whole_mm2, 1e-9), 2),
                openings=number(part.fill.open.count),
            )
        )
    return " ".join(sentences)


def _made(part: Part) -> str:
    """What a part was made from, and its main sizes where there are any."""
    count, sizes = len(part.placed), ", ".join(_sizes_in_words(part))
    values = {"part": part.noun, "sizes": sizes}
    if not part.points:
        if not sizes:
            return plural(
                count,
                "The {part} was made from {count} segment.",
                "The {part} was made from {count} segments.",
                **values,
            )
        return plural(
            count,
            "The {part} was made from {count} segment: {sizes}.",
            "The {part} was made from {count} segments: {sizes}.",
            **values,
        )
    values["points"] = _count_in_words(part.points)
    if not sizes:
        return plural(
            count,
            "The {part} was made from {count} segment and {points}.",
            "The {part} was made from {count} segments and {points}.",
            **values,
        )
    return plural(
        count,
        "The {part} was made from {count} segment and {points}: {sizes}.",
        "The {part} was made from {count} segments and {points}: {sizes}.",
        **values,
    )


def _count_in_words(points: int) -> str:
    if points < 1e6:
        return plural(points, "{count} point", "{count} points")
    return say("{millions} million points", millions=number(points / 1e6, 1))


def _sizes_in_words(part: Part) -> list[str]:
    dimensions = dict(part.measure.dimensions) if part.measure else {}
    room = {entry.key: entry.size for entry in part.measure.room} if part.measure else {}
    dimensions |= {name: room[key] for name, key in BETWEEN_WALLS.items() if key in room}
    sizes = [
        say(at_least if dimensions[name].unscanned_ends else exact, length=mm(dimensions[name].value_mm, 0))
        for name, (exact, at_least) in SIZES.items()
        if name in dimensions
    ]
    if "wheelbase" in dimensions:
        sizes.append(say("wheelbase {length}", length=mm(dimensions["wheelbase"].value_mm, 0)))
    return sizes


def sizes_of(part: Part) -> list[dict[str, Any]]:
    """The sizes of a part that the board shows: {"part", "key", "name", "value_mm", "uncertainty_mm", "at_least"}.

    Of a room those between its bare surfaces, and its extents only where these could not be taken. Names are in the
    language in use, but for those of the distances that the job sheet asks for.
    """
    if part.reasons or part.measure is None:
        return []
    dimensions, room = part.measure.dimensions, {entry.key: entry for entry in part.measure.room}
    named = [(key, say(DIMENSIONS[key]), dimensions[key]) for key in OUTSIDE if key in dimensions]
    for keys, extent in INSIDE.items():
        found = [(key, stage_sentence(room[key].title), room[key].size) for key in keys if key in room]
        if not found and extent in dimensions:
            found = [(extent, say(DIMENSIONS[extent]), dimensions[extent])]
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
    found = []
    if fit_tolerance_mm is not None:
        found.append(say("parts can be fitted to about ±{tolerance} (95 %)", tolerance=mm(fit_tolerance_mm)))
    check = part.network.check_targets if part.network else None
    if check:
        found.append(
            say("check targets predicted to {rms} (rms of {checks})", rms=mm(check.rms_mm), checks=number(check.count))
        )
    if part.refine and part.refine.discrepancies:
        worst = max(part.refine.discrepancies, key=lambda pair: pair.after.rms_mm)
        found.append(say("overlaps agree to {rms} (rms of the worst pair)", rms=mm(worst.after.rms_mm)))
    surfaces = registration.short(part)
    found += [surfaces] if surfaces else []
    if not found:
        return []
    title = part.noun[0].upper() + part.noun[1:]
    return [say("{name}: {value}", name=title, value=listing(found))]


def joined_in_words(both: Joined | None) -> str | None:
    """How inside is joined to outside, in a sentence for the board; None where there are not both."""
    if both is None:
        return None
    if both.result is None:
        return say("Inside and outside are not joined; they are two models, each in a frame of its own.")
    return say(
        "Inside joined to outside by {by}: middle ±{middle}, worst corner ±{corner} (95 %).",
        by=say(JOINED_BY[both.result.found_by]),
        middle=mm(COVERAGE * both.result.middle_sd_mm),
        corner=mm(COVERAGE * both.result.corner_sd_mm),
    )
