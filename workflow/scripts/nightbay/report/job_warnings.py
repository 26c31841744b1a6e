"""The warnings of a job: doubts that decide whether its models can be used, each with what to do about it."""

from collections.abc import Mapping, Sequence
from typing import Any

from nightbay.clean.result import CleanResult
from nightbay.core import text_format
from nightbay.core.language import phrase, say, stage_sentence
from nightbay.core.text_format import listing, mm, number, plural
from nightbay.frame.result import FrameResult
from nightbay.reduce.result import ReduceResult
from nightbay.refine.result import CONTRADICTS, SURE_SIDES, Contradictions
from nightbay.report import (
    class_fit,
    feature_words,
    frame_ways,
    ground_warnings,
    network_warnings,
    registration,
    room_summary,
    section_warnings,
    size_warnings,
    stance_warnings,
    surface_warnings,
)
from nightbay.report.next_step import JobWarning, of_reason
from nightbay.report.part import Part
from nightbay.tracking.sentences import slip_sentence

SCAN_FOR = {  # what to do for a zero plane of an exterior to be found
    "z": phrase("Scan the ground or the tyres too, or use the model without a vehicle frame."),
    "y": phrase("Scan both sides of the body too, or use the model without a vehicle frame."),
    "x": phrase("Scan the wheels of the front axle too, or use the model without a vehicle frame."),
}
FEWEST_POINTS = (
    16  # of an area with two copies of the surface: measure asks as many of a surface that holds a dimension
)


def warnings_of(parts: Sequence[Part], sheet: Mapping[str, Any]) -> list[JobWarning]:
    """Sentences on what a customer must know before using the models; none where no part was made."""
    found = []
    for part in parts:
        if not part.reasons:
            found += _warnings_of_part(part, sheet)
        elif not all(other.reasons for other in parts):
            found.append(
                JobWarning(
                    say("The {part} was refused; the rest of the job was made without it.", part=part.noun),
                    of_reason(part.reasons[0]["sentence"]),
                )
            )
    return found


def _warnings_of_part(part: Part, sheet: Mapping[str, Any]) -> list[JobWarning]:
    dimensions = part.measure.dimensions if part.measure else {}
    class_warning = class_fit.warning(part.name, dimensions, sheet.get("vehicle_class"), sheet.get("extents_mm", {}))
    return [
        *stance_warnings.warnings(part.frame),
        *registration.warnings(part),
        *_rounded_coordinates(part),
        *_lost_tracks(part),
        *_open_sides(part),
        *_duplicate_layers(part, sheet),
        *_frame_warnings(part.name, part.frame),
        *ground_warnings.warnings(part.frame),
        *frame_ways.warnings(part.frame),
        *room_summary.warnings(part.frame),
        *network_warnings.of_network(part.network),
        *network_warnings.unmeasured_bars(part, sheet),
        *_targets_against_surfaces(part),
        *contradictions(part.refine.contradiction if part.refine else None),
        *([class_warning] if class_warning else []),
        *size_warnings.warnings(part, sheet),
        *section_warnings.warnings(part),
        *feature_words.warnings(part),
        *surface_warnings.warnings(part),
        *_level_warnings(part.reduce),
    ]


def _rounded_coordinates(part: Part) -> list[JobWarning]:
    """Segments whose coordinates were rounded more coarsely than the scanner's noise."""
    return [
        JobWarning(
            say(
                "The coordinates of segment {name} were rounded to steps of {step}. The rounding error exceeds the "
                "scanner's noise, and the model has terraces of that height.",
                name=name,
                step=mm(segment.intake.step_mm, 2),
            ),
            say(
                "Export segment {name} again, centred on the vehicle, in double precision or with more digits.",
                name=name,
            ),
        )
        for name, segment in part.segments.items()
        if segment.intake and segment.intake.step_outweighs_noise
    ]


def _lost_tracks(part: Part) -> list[JobWarning]:
    """Segments whose scanner lost its track, and their target lists, which hold the same displacement."""
    found = []
    for name, segment in part.segments.items():
        slips = segment.intake.tracking.slips if segment.intake else []
        step = say("Scan segment {name} again.", name=name)
        found += [JobWarning(stage_sentence(slip_sentence(f"Segment {name}", slip)), step) for slip in slips]
        if slips and part.network and part.network.poses is not None and name not in part.network.without_targets:
            found.append(
                JobWarning(
                    say(
                        "The target list of segment {name} was recorded with the same track: targets seen before and "
                        "after the slip do not fit each other in it. Scan this run again, or remove its target list.",
                        name=name,
                    ),
                    step,
                )
            )
    return found


def _open_sides(part: Part) -> list[JobWarning]:
    """Segments with estimated normals whose outer side neither their own shape nor another segment shows."""
    shown = part.refine.normal_orientation if part.refine else {}
    found = []
    for name in part.placed:
        certainty = clean.normals_certainty if (clean := part.segments[name].clean) else None
        observed = shown[name].observed_share if name in shown else 0.0
        # Other segments settle the side of what they are connected to. Less than the share that a certain shape leaves
        # open settles nothing.
        if certainty is not None and certainty <= SURE_SIDES and observed < 1.0 - SURE_SIDES:
            found.append(
                JobWarning(
                    say(
                        "The raw file of segment {name} has no normals, and the outer side of its surface is uncertain "
                        "(certainty {certainty} of 1): parts of it may be inside out. Look at the model from both "
                        "sides before you use it.",
                        name=name,
                        certainty=number(certainty, 2),
                    ),
                    say(
                        "Export segment {name} again with normals, or scan it so that it overlaps a segment with "
                        "normals.",
                        name=name,
                    ),
                )
            )
    return found


def _duplicate_layers(part: Part, sheet: Mapping[str, Any]) -> list[JobWarning]:
    """Segments with an undecided second copy of the surface that is large enough to be taken for the surface."""
    settings = sheet.get("parameters", {}).get(part.name, {})
    view_mm = settings.get("refine", {}).get("patch_mm")
    smallest_mm = settings.get("scan", {}).get("smallest_mm")
    if view_mm is None or smallest_mm is None:
        return []
    found = []
    for name in part.placed:
        clean = part.segments[name].clean
        large = _undecided_mm2(clean, view_mm, smallest_mm) if clean else []
        if clean and large:
            surface_mm2 = clean.kept * clean.spacing_mm**2
            sentence = say(
                "Segment {name} shows two copies of the surface on {total} in {areas} ({share} of what it saw), and "
                "nothing decides which is right: both were kept, and the model may be wrong there. Don't measure or "
                "mount anything on these areas before you have checked them.",
                name=name,
                total=text_format.area(sum(large)),
                areas=plural(len(large), "{count} area", "{count} areas"),
                share=text_format.share(sum(large) / max(surface_mm2, 1e-9)),
            )
            step = say("Scan what segment {name} shows twice again, in one steady run.", name=name)
            found.append(JobWarning(sentence, step))
    return found


def _undecided_mm2(clean: CleanResult, view_mm: float, smallest_mm: float) -> list[float]:
    """Areas with two copies that a slip may have left; smaller ones are edges, hems and both sides of thin panels.

    A slip shows in what the scanner sees at once, a square of ``view_mm``: at least a quarter of it each way. On a
    sparse cloud it takes :data:`FEWEST_POINTS` to make a surface. Surfaces further apart than ``smallest_mm`` are two
    things that the scan is to keep, and slips as large as that are looked for in the track and between the segments.
    """
    least = max((view_mm / 4) ** 2, FEWEST_POINTS * clean.spacing_mm**2)
    return [
        area.area_mm2
        for area in clean.duplicate_layers
        if area.kept == "both" and area.area_mm2 >= least and area.apart_mm <= smallest_mm
    ]


def _frame_warnings(part_name: str, frame: FrameResult | None) -> list[JobWarning]:
    """Zero planes of an exterior that were not found, and a heading that was inferred from the shape alone."""
    if frame is None or part_name != "exterior":
        return []
    found = []
    if frame.state != "vehicle":
        found.append(_incomplete(frame))
    if frame.heading.assumed and frame.heading.found_by != "kept":
        found.append(
            JobWarning(
                say(
                    "Which end is the front was inferred from the shape alone; state it in the job sheet (parts, axes, "
                    "forward)."
                ),
                say(
                    "State which end is the front in job.yaml (parts, exterior, axes, forward) and run the same "
                    "command."
                ),
            )
        )
    return found


def _incomplete(frame: FrameResult) -> JobWarning:
    """That some zero planes were not found, and what to scan for the most important of them."""
    kept = [axis for axis in ("x", "y", "z") if axis in frame.zero_planes and not frame.zero_planes[axis].found]
    if not kept:
        return JobWarning(
            say("The vehicle frame is incomplete."),
            say("Scan the whole vehicle too, or use the model without a vehicle frame."),
        )
    step, planes = say(SCAN_FOR[kept[-1]]), listing(axis.upper() for axis in kept)
    if len(kept) == 1:
        return JobWarning(say("The vehicle frame is incomplete: zero {plane} stays as scanned.", plane=planes), step)
    return JobWarning(say("The vehicle frame is incomplete: zero {planes} stay as scanned.", planes=planes), step)


def _targets_against_surfaces(part: Part) -> list[JobWarning]:
    """Segments that stay at their target pose although their surfaces contradict it."""
    return [
        JobWarning(
            say(
                "Segment {name} stays where its targets place it, but its surfaces say otherwise: a target, a door or "
                "a lid may have moved between the runs. Inspect its overlaps before you use the model.",
                name=name,
            ),
            say("Look for what moved between the runs of segment {name}, and scan it again.", name=name),
        )
        for name, pose in (part.refine.poses if part.refine else {}).items()
        if pose is not None and pose.reason and pose.reason.startswith(CONTRADICTS)
    ]


def contradictions(found: Contradictions | None) -> list[JobWarning]:
    """Segments that do not agree with the others in their final poses, or have nothing to agree with."""
    if found is None:
        return []
    cell_mm2 = found.cell_mm**2
    sentences = [
        JobWarning(
            say(
                "Segment {name} contradicts the other segments: about {contradicting} of surface, its own and theirs, "
                "lies where the other scan saw through or is offset from it, and {agreeing} agrees. Its file or its "
                "pose is wrong, or something on the vehicle had moved. Inspect this segment before you use the model.",
                name=doubted.segment,
                contradicting=text_format.area(doubted.contradicting_cells * cell_mm2),
                agreeing=text_format.area(doubted.agreeing_cells * cell_mm2),
            ),
            say(
                "Inspect segment {name}: check that its file is of this vehicle, and scan it again if something had "
                "moved.",
                name=doubted.segment,
            ),
        )
        for doubted in found.doubted
    ]
    return sentences + [
        JobWarning(
            say(
                "Segment {name} overlaps no surface of another segment: its targets alone determine its pose.",
                name=name,
            ),
            say("Scan segment {name} again with more overlap, or check a length across it by hand.", name=name),
        )
        for name in found.isolated
    ]


def _level_warnings(reduced: ReduceResult | None) -> list[JobWarning]:
    return [
        JobWarning(
            say("Level {name} of the model is not manifold.", name=name),
            say("Take another level than {name} where a program needs a manifold.", name=name),
        )
        for name, level in (reduced.levels if reduced else {}).items()
        if level.edges_of_many_faces or level.edges_of_one_direction
    ]
