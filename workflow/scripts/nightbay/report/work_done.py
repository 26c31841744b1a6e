"""What was done for a job, told from the results of the stages that ran."""

from collections.abc import Callable

from nightbay.core.language import say
from nightbay.core.text_format import area, listing, number, plural
from nightbay.report.joined import Joined
from nightbay.report.part import Part


def work_done(part: Part) -> list[str]:
    """A sentence for each stage of the part that ran and was accepted, in the order of the work."""
    steps: tuple[Callable[[Part], str | None], ...] = (
        _intake, _clean, _network, _refine, _frame, _fuse, _fill, _reduce, _measure,
    )  # fmt: skip
    found = [sentence for step in steps if (sentence := step(part))]
    stopped = next((reason for reason in part.reasons), None)
    if stopped:
        found.append(say("The work on the {part} ended at the stage {stage}.", part=part.noun, stage=stopped["stage"]))
    return found


def joined_sentence(joined: Joined | None) -> str | None:
    """That the interior was set into the exterior, where it was."""
    return say("The interior was set into the exterior.") if joined and joined.result else None


def _intake(part: Part) -> str | None:
    read = [segment.intake for segment in part.segments.values() if segment.intake]
    if not read:
        return None
    points = number(sum(raw.count for raw in read))
    return plural(
        len(read), "{count} file was read: {points} points.", "{count} files were read: {points} points.", points=points
    )


def _clean(part: Part) -> str | None:
    cleaned = [segment.clean for segment in part.segments.values() if segment.clean]
    if not cleaned:
        return None
    return plural(
        sum(sum(clean.removed.values()) for clean in cleaned),
        "{count} point was removed, with its reason; {kept} were kept.",
        "{count} points were removed, each with its reason; {kept} were kept.",
        kept=number(sum(clean.kept for clean in cleaned)),
    )


def _network(part: Part) -> str | None:
    network = part.network
    if network is None or not network.poses:
        return None
    ties = sum(len(target.seen_by) > 1 for target in network.targets)
    values = {
        "ties": plural(ties, "{count} tie target", "{count} tie targets"),
        "rejected": plural(len(network.blunders), "{count} observation rejected", "{count} observations rejected"),
    }
    if network.mode == "control":
        return plural(
            len(network.poses),
            "{count} segment was registered by {ties} to the control survey; {rejected}.",
            "{count} segments were registered by {ties} to the control survey; {rejected}.",
            **values,
        )
    return plural(
        len(network.poses),
        "{count} segment was registered by {ties} to one segment, which defines the frame; {rejected}.",
        "{count} segments were registered by {ties} to one segment, which defines the frame; {rejected}.",
        **values,
    )


def _refine(part: Part) -> str | None:
    if part.refine is None:
        return None
    kinds = [pose.pose_from for pose in part.refine.poses.values()]
    refined = kinds.count("refined")
    by_surfaces = kinds.count("surfaces") + kinds.count("point pairs")
    found = []
    if refined:
        found.append(
            plural(
                refined,
                "The overlaps improved the pose of {count} segment.",
                "The overlaps improved the poses of {count} segments.",
            )
        )
    if by_surfaces:
        found.append(
            plural(
                by_surfaces,
                "{count} segment was registered by surfaces.",
                "{count} segments were registered by surfaces.",
            )
        )
    if not found and len(kinds) > 1:
        found.append(say("The overlaps tested the poses and improved none."))
    return " ".join(found) or None


def _frame(part: Part) -> str | None:
    if part.frame is None:
        return None
    planes = [axis.upper() for axis, plane in part.frame.zero_planes.items() if plane.found]
    if not planes:
        return say("No zero plane was found; the coordinates are those of the scan.")
    if part.frame.room:
        return say("The room frame was set: zero {planes}.", planes=listing(planes))
    return say("The vehicle frame was set: zero {planes}.", planes=listing(planes))


def _fuse(part: Part) -> str | None:
    if part.fuse is None:
        return None
    return say("The points were fused into one open surface of {area}.", area=area(part.fuse.area_mm2))


def _fill(part: Part) -> str | None:
    if part.fill is None:
        return None
    if not part.fill.gaps:
        return say("No gap was small enough to be closed.")
    return plural(
        part.fill.gaps,
        "{count} small gap was closed and marked.",
        "{count} small gaps were closed and marked.",
    )


def _reduce(part: Part) -> str | None:
    if part.reduce is None:
        return None
    names = listing(part.reduce.levels)
    return plural(
        len(part.reduce.levels), "{count} level of detail: {names}.", "{count} levels of detail: {names}.", names=names
    )


def _measure(part: Part) -> str | None:
    if part.measure is None:
        return None
    sizes = len(part.measure.dimensions) + len(part.measure.room)
    sections = plural(len(part.measure.sections), "{count} section", "{count} sections")
    taken = plural(
        sizes, "{count} size was taken, and {sections}.", "{count} sizes were taken, and {sections}.", sections=sections
    )
    return taken if sizes else None
