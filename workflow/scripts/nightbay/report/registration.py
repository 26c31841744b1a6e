"""What the report says of the registration: segments that are missing, how sure poses without targets are."""

from collections.abc import Sequence

from nightbay.core.language import say, stage_sentence
from nightbay.core.text_format import listing, mm, number, plural
from nightbay.measure.result import COVERAGE
from nightbay.refine.result import LooseOverlap, SurfaceRegistration, UnplacedSegment
from nightbay.report.next_step import JobWarning, of_reason
from nightbay.report.part import Part


def warnings(part: Part) -> list[JobWarning]:
    """Sentences on segments that the model lacks, lists of targets that were not used, poses that no target checks,
    and directions that rest on point pairs."""
    return [*_unplaced(part), *_set_aside(part), *_unchecked(part), *_point_pairs(part)]


def _unplaced(part: Part) -> list[JobWarning]:
    missing = part.refine.unplaced if part.refine else []
    if not missing:
        return []
    again = say(
        "Scan {segments} again with more overlap, or with targets in it.",
        segments=listing(left.segment for left in missing),
    )
    return [JobWarning(sentence, again) for sentence in (_share(part), *(_missing(part, left) for left in missing))]


def _share(part: Part) -> str:
    """How many of the segments the part is made from, and which."""
    every, placed = len(part.segments), part.placed
    values = {"every": number(every), "part": part.noun, "segments": listing(placed)}
    if len(placed) == 1:
        return say(
            "Only 1 of the {every} segments of the {part} could be placed. The model is segment {segments} alone. What "
            "only the missing segments saw is missing from the model.",
            **values,
        )
    if 2 * len(placed) < every:
        return say(
            "Fewer than half of the segments of the {part} could be placed, {placed} of {every}. The model is made "
            "from {segments}, the largest set that fits together. What only the missing segments saw is missing from "
            "the model.",
            placed=number(len(placed)),
            **values,
        )
    return say(
        "The {part} is made from {placed} of its {every} segments, {segments}. What only the missing segments saw is "
        "missing from the model.",
        placed=number(len(placed)),
        **values,
    )


def _missing(part: Part, left: UnplacedSegment) -> str:
    """Why a segment is missing, first why its targets were not used where it had some."""
    asides = part.network.set_aside if part.network else {}
    reason = _whole(stage_sentence(left.reason))
    if left.segment not in asides:
        return say(
            "Segment {name} is missing, because it could not be placed: {reason}", name=left.segment, reason=reason
        )
    return say(
        "Segment {name} is missing, because it could not be placed: {targets} Without its targets, {reason}",
        name=left.segment,
        targets=_whole(stage_sentence(asides[left.segment])),
        reason=reason,
    )


def _set_aside(part: Part) -> list[JobWarning]:
    if part.refine is None or part.network is None:
        return []
    found = []
    for name, reason in part.network.set_aside.items():
        if name not in part.refine.poses:
            continue
        again = say("Scan segment {name} again with more targets in view.", name=name)
        sentence = say(
            "The targets of segment {name} were not used, and its surfaces alone place it: {reason}",
            name=name,
            reason=_whole(stage_sentence(reason)),
        )
        found.append(JobWarning(sentence, of_reason(reason, again)))
    return found


def _unchecked(part: Part) -> list[JobWarning]:
    """That segments were registered by surfaces alone, how sure that is, and how to check it."""
    known = [found for found in _by_surfaces(part) if not found.point_pairs]
    if not known:
        return []
    worst, name = _worst(known), part.noun
    step = say(
        "Check a length across the segments of the {part} by hand, or put targets into their overlap.", part=name
    )
    if len(known) == 1:
        sentence = say(
            "Segment {name} was registered by surfaces alone: it is known to {bounds} (95 %), and no target checks it. "
            "Check a length across the segments of the {part} by hand where that is not enough.",
            name=worst.segment,
            bounds=bounds(worst),
            part=name,
        )
        return [JobWarning(sentence, step)]
    sentence = say(
        "Segments {names} were registered by surfaces alone: the least certain, {worst}, is known to {bounds} (95 %), "
        "and no target checks it. Check a length across the segments of the {part} by hand where that is not enough.",
        names=listing(found.segment for found in known),
        worst=worst.segment,
        bounds=bounds(worst),
        part=name,
    )
    return [JobWarning(sentence, step)]


def _point_pairs(part: Part) -> list[JobWarning]:
    return [_of_point_pairs(overlap) for overlap in (part.refine.loose if part.refine else []) if overlap.fixed_by]


def _of_point_pairs(overlap: LooseOverlap) -> JobWarning:
    values = {
        "segments": listing(overlap.segments),
        "others": listing(overlap.relative_to),
        "directions": listing(stage_sentence(direction.words) for direction in overlap.directions),
        "uncertainty": uncertainty(overlap),
    }
    step = say(
        "Check a length across {segments} by hand, or scan more in their overlap.",
        segments=listing([*overlap.segments, *overlap.relative_to]),
    )
    if len(overlap.directions) == 1:
        sentence = say(
            "The overlap of {segments} with {others} leaves {directions} loose. Only the point pairs of the job sheet "
            "determine this: {uncertainty} (95 %).",
            **values,
        )
        return JobWarning(sentence, step)
    sentence = say(
        "The overlap of {segments} with {others} leaves {directions} loose. Only the point pairs of the job sheet "
        "determine these: {uncertainty} (95 %).",
        **values,
    )
    return JobWarning(sentence, step)


def uncertainty(overlap: LooseOverlap) -> str:
    """The expanded uncertainties of the directions of an overlap that point pairs determine, as ``±3.1 mm, ±0.2°``."""
    texts = []
    for direction in overlap.directions:
        if direction.sd is None:
            texts.append(say("not determined"))
        elif direction.kind == "shift":
            texts.append(f"±{mm(COVERAGE * direction.sd, 1)}")
        else:
            texts.append(f"±{number(COVERAGE * direction.sd, 2)}°")
    return ", ".join(texts)


def certainty(part: Part) -> str | None:
    """How sure the poses of the segments are that were registered without targets, None where there are none.

    The least certain segment counts.
    """
    known = _by_surfaces(part)
    if not known:
        return None
    worst = _worst(known)
    withheld = plural(
        worst.patches,
        "{count} patch of its overlaps, withheld from the fit, agrees to {rms} (root mean square).",
        "{count} patches of its overlaps, withheld from the fit, agree to {rms} (root mean square).",
        rms=mm(worst.withheld_rms_mm),
    )
    return f"{_registered(part, known, _pose(part, worst, len(known) == 1))} {withheld} {alternative(worst)}"


def _registered(part: Part, known: Sequence[SurfaceRegistration], pose: str) -> str:
    """What of a part was registered by surfaces, and its least certain ``pose``."""
    values = {"part": part.noun, "pose": pose}
    by_points = any(found.point_pairs for found in known)
    if len(known) + 1 < len(part.placed) or _worst(known).relative_to not in part.placed:
        if by_points:
            return plural(
                len(known),
                "{count} segment of the {part} was registered by surfaces and point pairs: {pose}.",
                "{count} segments of the {part} were registered by surfaces and point pairs: {pose}.",
                **values,
            )
        return plural(
            len(known),
            "{count} segment of the {part} was registered by surfaces alone: {pose}.",
            "{count} segments of the {part} were registered by surfaces alone: {pose}.",
            **values,
        )
    if by_points:
        return say("The {part} was registered by surfaces and point pairs: {pose}.", **values)
    return say("The {part} was registered by surfaces alone: {pose}.", **values)


def _pose(part: Part, worst: SurfaceRegistration, only: bool) -> str:
    """The least certain pose with its uncertainties; ``only``: there is no other."""
    values = {"segment": worst.segment, "bounds": bounds(worst), "other": worst.relative_to}
    if worst.relative_to in part.placed:
        if only:
            return say("pose of {segment} relative to {other} {bounds} (95 %)", **values)
        return say("pose of {segment} relative to {other}, the least certain, {bounds} (95 %)", **values)
    if only:
        return say("pose of {segment} relative to the control survey {bounds} (95 %)", **values)
    return say("pose of {segment} relative to the control survey, the least certain, {bounds} (95 %)", **values)


def short(part: Part) -> str | None:
    """The same in short for the board."""
    known = _by_surfaces(part)
    if not known:
        return None
    if any(found.point_pairs for found in known):
        return say("registered by surfaces and point pairs: {bounds} (95 %)", bounds=bounds(_worst(known)))
    return say("registered by surfaces alone: {bounds} (95 %)", bounds=bounds(_worst(known)))


def bounds(found: SurfaceRegistration) -> str:
    """The expanded uncertainties of a pose, as ``±0.42 mm, ±0.010°``."""
    return f"±{mm(COVERAGE * found.position_sd_mm, 2)}, ±{number(COVERAGE * found.rotation_sd_deg, 3)}°"


def alternative(found: SurfaceRegistration) -> str:
    """How clearly a pose was the only one, as a sentence."""
    if found.point_pairs:
        return plural(
            found.point_pairs,
            "{count} point pair of the job sheet placed it.",
            "{count} point pairs of the job sheet placed it.",
        )
    other = found.alternative
    if other is None:
        return say("No other pose was found in which the surfaces fit.")
    times = number(other.times, 0 if other.times >= 10 else 1)
    if other.by == "distance":
        return say("In the closest other pose the surfaces lie {times} times as far apart.", times=times)
    if other.by == "agreement":
        return say(
            "Off floors and walls the surfaces agree here over {times} times as much as in the closest other pose.",
            times=times,
        )
    return say("The closest other pose contradicts the scans at least {times} times as often.", times=times)


def _by_surfaces(part: Part) -> Sequence[SurfaceRegistration]:
    return part.refine.by_surfaces if part.refine else []


def _worst(known: Sequence[SurfaceRegistration]) -> SurfaceRegistration:
    return max(known, key=lambda found: found.position_sd_mm)


def _whole(reason: str) -> str:
    """A reason with its end."""
    return reason if reason.endswith(".") else f"{reason}."
