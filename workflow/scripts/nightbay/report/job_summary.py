"""A job's results in the sentences of the report: its state, summary, warnings and main figures."""

from collections.abc import Mapping, Sequence
from typing import Any

from nightbay.core import text_format
from nightbay.core.text_format import THIN, listing, mm, number, plural, share
from nightbay.frame.result import FrameResult
from nightbay.measure.result import Dimension
from nightbay.network.result import NetworkResult
from nightbay.reduce.result import ReduceResult
from nightbay.refine.result import Contradictions
from nightbay.report import class_fit, registration, room_summary
from nightbay.report.part import Part
from nightbay.tracking.sentences import slip_sentence

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
# Sizes between the bare surfaces of a room say more than its extents, which reach through apertures.
BETWEEN_WALLS = {"inner_length": "length_floor", "inner_width": "width_floor", "inner_height": "height_roof"}


def state_of(parts: Sequence[Part], warnings: Sequence[str]) -> str:
    """The job's state in words: COMPLETE, WARNED or REFUSED."""
    if all(part.reasons for part in parts):
        return REFUSED
    return WARNED if warnings else COMPLETE


def warnings_of(parts: Sequence[Part], sheet: Mapping[str, Any]) -> list[str]:
    """Sentences on what a customer must know before using the models; none where no part was made."""
    found = []
    for part in parts:
        if not part.reasons:
            found += _warnings_of_part(part, sheet)
        elif not all(other.reasons for other in parts):
            found.append(f"The {part.name} was refused; the rest of the job was made without it.")
    return found


def _warnings_of_part(part: Part, sheet: Mapping[str, Any]) -> list[str]:
    dimensions = part.measure.dimensions if part.measure else {}
    class_warning = class_fit.warning(part.name, dimensions, sheet.get("vehicle_class"), sheet.get("extents_mm", {}))
    return [
        *registration.warnings(part),
        *_rounded_coordinates(part),
        *_lost_tracks(part),
        *_frame_warnings(part.name, part.frame),
        *room_summary.warnings(part.frame),
        *_network_warnings(part.network),
        *_contradictions(part.refine.contradiction if part.refine else None),
        *([class_warning] if class_warning else []),
        *(sentence for name, dimension in dimensions.items() for sentence in _dimension_warnings(name, dimension)),
        *_level_warnings(part.reduce),
    ]


def _rounded_coordinates(part: Part) -> list[str]:
    """Segments whose coordinates were rounded more coarsely than the scanner's noise."""
    return [
        f"The coordinates of segment {name} were rounded to steps of {mm(segment.intake.step_mm, 2)}. The rounding "
        "error exceeds the scanner's noise, and the model has terraces of that height."
        for name, segment in part.segments.items()
        if segment.intake and segment.intake.step_outweighs_noise
    ]


def _lost_tracks(part: Part) -> list[str]:
    """Segments whose scanner lost its track, and their target lists, which hold the same displacement."""
    found = []
    for name, segment in part.segments.items():
        slips = segment.intake.tracking.slips if segment.intake else []
        found += [slip_sentence(f"Segment {name}", slip) for slip in slips]
        if slips and part.network and part.network.poses is not None and name not in part.network.without_targets:
            found.append(
                f"The target list of segment {name} was recorded with the same track: targets seen before and after "
                "the slip do not fit each other in it. Scan this run again, or remove its target list."
            )
    return found


def _frame_warnings(part_name: str, frame: FrameResult | None) -> list[str]:
    """Zero planes that were not found, and a heading that was inferred from the shape alone."""
    if frame is None:
        return []
    found = []
    if part_name == "exterior" and frame.state != "vehicle":
        kept = [axis.upper() for axis, plane in frame.zero_planes.items() if not plane.found]
        stay = "stays" if len(kept) == 1 else "stay"
        found.append(f"The vehicle frame is incomplete: zero {listing(kept)} {stay} as scanned.")
    if part_name == "exterior" and frame.heading.assumed and frame.heading.found_by != "kept":
        found.append(
            "Which end is the front was inferred from the shape alone; state it in the job sheet (parts, axes, "
            "forward)."
        )
    return found


def _network_warnings(network: NetworkResult | None) -> list[str]:
    """What the targets show about the vehicle and the scanner."""
    if network is None:
        return []
    found = [
        f"Something moved by {mm(group.body.size_mm)} between the control survey and segment {group.segment}: the "
        "vehicle on its suspension, a door or a lid; see the notes."
        for group in network.moved_groups
    ]
    found += [
        f"Scale bar {bar.from_id}–{bar.to_id} is off by {mm(bar.difference_mm, 3, sign=True)}, more than the "
        "uncertainties allow."
        for bar in network.scale_bars
        if not bar.passed
    ]
    factor = network.variance_factor
    if factor and factor.variance_factor > factor.high:
        found.append("The target lists agree worse than declared; the uncertainties were enlarged to match.")
    return found


def _contradictions(found: Contradictions | None) -> list[str]:
    """Segments that do not agree with the others in their final poses, or have nothing to agree with."""
    if found is None:
        return []
    cell_mm2 = found.cell_mm**2
    sentences = [
        f"Segment {doubted.segment} contradicts the other segments: about "
        f"{text_format.area(doubted.contradicting_cells * cell_mm2)} of surface, its own and theirs, lies where the "
        f"other scan saw through or is offset from it, and {text_format.area(doubted.agreeing_cells * cell_mm2)} "
        "agrees. Its file or its pose is wrong, or something on the vehicle had moved. Inspect this segment before you "
        "use the model."
        for doubted in found.doubted
    ]
    return sentences + [
        f"Segment {name} overlaps no surface of another segment: its targets alone determine its pose."
        for name in found.isolated
    ]


def _dimension_warnings(name: str, dimension: Dimension) -> list[str]:
    found, title = [], DIMENSIONS.get(name, name)
    if dimension.unscanned_ends:
        beyond_mm = max(end.beyond_mm for end in dimension.unscanned_ends)
        found.append(f"{title} may be larger by about {mm(beyond_mm, 1)}: one end was not scanned; see the notes.")
    if dimension.significant:
        found.append(
            f"{title} differs from its nominal value by {mm(dimension.difference_mm, 1, sign=True)}, more than its "
            f"uncertainty of {mm(dimension.uncertainty_mm, 1)}."
        )
    return found


def _level_warnings(reduced: ReduceResult | None) -> list[str]:
    return [
        f"Level {name} of the model is not manifold."
        for name, level in (reduced.levels if reduced else {}).items()
        if level.edges_of_many_faces or level.edges_of_one_direction
    ]


def summary_of(part: Part) -> str:
    """What was made of a part, how well its segments agree and how complete it is, in two or three sentences."""
    if part.reasons:
        return f"The {part.name} could not be made: {part.reasons[0]['sentence']}"
    made = f"The {part.name} was made from {plural(len(part.placed), 'segment')}"
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


def figures_of(parts: Sequence[Part]) -> str:
    """The main figures of a job for the board: length, width and height, the worst overlap, and how sure the poses of
    segments without targets are."""
    texts = []
    for part in parts:
        dimensions = part.measure.dimensions if part.measure else {}
        sizes = [dimensions[name] for name in ("length", "width", "height") if name in dimensions]
        if len(sizes) == 3:
            values = [f"{'≥' if size.unscanned_ends else ''}{size.value_mm:.1f}" for size in sizes]
            texts.append(" × ".join(values) + " mm")
        if part.refine and part.refine.discrepancies:
            texts.append(f"overlaps {max(pair.after.rms_mm for pair in part.refine.discrepancies):.2f} mm rms")
        texts += filter(None, [None if part.reasons else registration.short(part)])
    return ", ".join(texts)
