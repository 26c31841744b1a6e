"""What the report says of the registration: segments that are missing, how sure poses without targets are."""

from collections.abc import Sequence

from nightbay.core.text_format import listing, mm, number, plural
from nightbay.measure.result import COVERAGE
from nightbay.refine.result import LooseOverlap, SurfaceRegistration
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
    every, placed = len(part.segments), part.placed
    if len(placed) == 1:
        share = (
            f"Only 1 of the {every} segments of the {part.name} could be placed. The model is segment {placed[0]} alone"
        )
    elif 2 * len(placed) < every:
        share = (
            f"Fewer than half of the segments of the {part.name} could be placed, {len(placed)} of {every}. The model "
            f"is made from {listing(placed)}, the largest set that fits together"
        )
    else:
        share = f"The {part.name} is made from {len(placed)} of its {every} segments, {listing(placed)}"
    asides = part.network.set_aside if part.network else {}
    again = f"Scan {listing(left.segment for left in missing)} again with more overlap, or with targets in it."
    return [JobWarning(f"{share}. What only the missing segments saw is missing from the model.", again)] + [
        JobWarning(
            f"Segment {left.segment} is missing, because it could not be placed: "
            + (f"{_whole(asides[left.segment])} Without its targets, " if left.segment in asides else "")
            + _whole(left.reason),
            again,
        )
        for left in missing
    ]


def _set_aside(part: Part) -> list[JobWarning]:
    if part.refine is None or part.network is None:
        return []
    return [
        JobWarning(
            f"The targets of segment {name} were not used, and its surfaces alone place it: {_whole(reason)}",
            of_reason(reason, f"Scan segment {name} again with more targets in view."),
        )
        for name, reason in part.network.set_aside.items()
        if name in part.refine.poses
    ]


def _unchecked(part: Part) -> list[JobWarning]:
    """That segments were registered by surfaces alone, how sure that is, and how to check it."""
    known = [found for found in _by_surfaces(part) if not found.point_pairs]
    if not known:
        return []
    worst, names = _worst(known), [found.segment for found in known]
    subject = f"Segments {listing(names)} were" if len(names) > 1 else f"Segment {names[0]} was"
    least = f"the least certain, {worst.segment}, is" if len(names) > 1 else "it is"
    return [
        JobWarning(
            f"{subject} registered by surfaces alone: {least} known to {bounds(worst)} (95 %), and no target checks "
            f"it. Check a length across the segments of the {part.name} by hand where that is not enough.",
            f"Check a length across the segments of the {part.name} by hand, or put targets into their overlap.",
        )
    ]


def _point_pairs(part: Part) -> list[JobWarning]:
    return [
        JobWarning(
            f"The overlap of {listing(overlap.segments)} with {listing(overlap.relative_to)} leaves "
            f"{listing([direction.words for direction in overlap.directions])} loose. Only the point pairs of the job "
            f"sheet determine {'this' if len(overlap.directions) == 1 else 'these'}: {uncertainty(overlap)} (95 %).",
            f"Check a length across {listing([*overlap.segments, *overlap.relative_to])} by hand, or scan more in "
            "their overlap.",
        )
        for overlap in (part.refine.loose if part.refine else [])
        if overlap.fixed_by
    ]


def uncertainty(overlap: LooseOverlap) -> str:
    """The expanded uncertainties of the directions of an overlap that point pairs determine, as ``±3.1 mm, ±0.2°``."""
    texts = []
    for direction in overlap.directions:
        if direction.sd is None:
            texts.append("not determined")
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
    subject = f"The {part.name} was"
    if len(known) + 1 < len(part.placed) or worst.relative_to not in part.placed:
        subject = f"{plural(len(known), '{count} segment', '{count} segments')} of the {part.name} {'was' if len(known) == 1 else 'were'}"
    how = "by surfaces and point pairs" if any(found.point_pairs for found in known) else "by surfaces alone"
    frame = worst.relative_to if worst.relative_to in part.placed else f"the {worst.relative_to}"
    least = "" if len(known) == 1 else ", the least certain,"
    return (
        f"{subject} registered {how}: pose of {worst.segment} relative to {frame}{least} "
        f"{bounds(worst)} (95 %). {number(worst.patches)} patches of its overlaps, withheld from the fit, agree to "
        f"{mm(worst.withheld_rms_mm)} (root mean square). {alternative(worst)}"
    )


def short(part: Part) -> str | None:
    """The same in short for the board."""
    known = _by_surfaces(part)
    if not known:
        return None
    how = "by surfaces and point pairs" if any(found.point_pairs for found in known) else "by surfaces alone"
    return f"registered {how}: {bounds(_worst(known))} (95 %)"


def bounds(found: SurfaceRegistration) -> str:
    """The expanded uncertainties of a pose, as ``±0.42 mm, ±0.010°``."""
    return f"±{mm(COVERAGE * found.position_sd_mm, 2)}, ±{number(COVERAGE * found.rotation_sd_deg, 3)}°"


def alternative(found: SurfaceRegistration) -> str:
    """How clearly a pose was the only one, as a sentence."""
    if found.point_pairs:
        return f"{plural(found.point_pairs, '{count} point pair', '{count} point pairs')} of the job sheet placed it."
    other = found.alternative
    if other is None:
        return "No other pose was found in which the surfaces fit."
    times = number(other.times, 0 if other.times >= 10 else 1)
    if other.by == "distance":
        return f"In the closest other pose the surfaces lie {times} times as far apart."
    if other.by == "agreement":
        return f"Off floors and walls the surfaces agree here over {times} times as much as in the closest other pose."
    return f"The closest other pose contradicts the scans at least {times} times as often."


def _by_surfaces(part: Part) -> Sequence[SurfaceRegistration]:
    return part.refine.by_surfaces if part.refine else []


def _worst(known: Sequence[SurfaceRegistration]) -> SurfaceRegistration:
    return max(known, key=lambda found: found.position_sd_mm)


def _whole(reason: str) -> str:
    """A reason with its end."""
    return reason if reason.endswith(".") else f"{reason}."
