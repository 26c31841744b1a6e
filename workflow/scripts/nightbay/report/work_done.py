"""What was done for a job, told from the results of the stages that ran."""

from collections.abc import Callable

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
        found.append(f"The work on the {part.name} ended at the stage {stopped['stage']}.")
    return found


def joined_sentence(joined: Joined | None) -> str | None:
    """That the interior was set into the exterior, where it was."""
    return "The interior was set into the exterior." if joined and joined.result else None


def _intake(part: Part) -> str | None:
    read = [segment.intake for segment in part.segments.values() if segment.intake]
    if not read:
        return None
    return f"{plural(len(read), '{count} file was', '{count} files were')} read: {number(sum(raw.count for raw in read))} points."


def _clean(part: Part) -> str | None:
    cleaned = [segment.clean for segment in part.segments.values() if segment.clean]
    if not cleaned:
        return None
    kept = sum(clean.kept for clean in cleaned)
    removed = sum(sum(clean.removed.values()) for clean in cleaned)
    return f"{number(removed)} points were removed, each with its reason; {number(kept)} were kept."


def _network(part: Part) -> str | None:
    network = part.network
    if network is None or not network.poses:
        return None
    ties = sum(len(target.seen_by) > 1 for target in network.targets)
    held = "the control survey" if network.mode == "control" else "one segment, which defines the frame"
    return (
        f"{plural(len(network.poses), '{count} segment was', '{count} segments were')} registered by {plural(ties, '{count} tie target', '{count} tie targets')} to "
        f"{held}; {plural(len(network.blunders), '{count} observation', '{count} observations')} rejected."
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
            f"The overlaps improved the {'pose' if refined == 1 else 'poses'} of {plural(refined, '{count} segment', '{count} segments')}."
        )
    if by_surfaces:
        found.append(f"{plural(by_surfaces, '{count} segment was', '{count} segments were')} registered by surfaces.")
    if not found and len(kinds) > 1:
        found.append("The overlaps tested the poses and improved none.")
    return " ".join(found) or None


def _frame(part: Part) -> str | None:
    if part.frame is None:
        return None
    planes = [axis.upper() for axis, plane in part.frame.zero_planes.items() if plane.found]
    if not planes:
        return "No zero plane was found; the coordinates are those of the scan."
    return f"The {'room' if part.frame.room else 'vehicle'} frame was set: zero {listing(planes)}."


def _fuse(part: Part) -> str | None:
    if part.fuse is None:
        return None
    return f"The points were fused into one open surface of {area(part.fuse.area_mm2)}."


def _fill(part: Part) -> str | None:
    if part.fill is None:
        return None
    if not part.fill.gaps:
        return "No gap was small enough to be closed."
    return f"{plural(part.fill.gaps, '{count} small gap was', '{count} small gaps were')} closed and marked."


def _reduce(part: Part) -> str | None:
    if part.reduce is None:
        return None
    return f"{plural(len(part.reduce.levels), '{count} level', '{count} levels')} of detail: {listing(part.reduce.levels)}."


def _measure(part: Part) -> str | None:
    if part.measure is None:
        return None
    sizes = len(part.measure.dimensions) + len(part.measure.room)
    sections = len(part.measure.sections)
    return f"{plural(sizes, '{count} size was', '{count} sizes were')} taken, and {plural(sections, '{count} section', '{count} sections')}." if sizes else None
