"""What a reader must know of the frame of a room before using its model."""

from nightbay.frame.result import FrameResult
from nightbay.report.next_step import AGAIN, JobWarning

STATE = "State {} in job.yaml (parts, interior, axes, {}) and " + AGAIN + "."


def warnings(frame: FrameResult | None) -> list[JobWarning]:
    """Sentences on an interior without a frame, and on directions that are assumed; none for an exterior."""
    if frame is None or frame.room is None:
        return []
    if not frame.zero_planes["z"].found:
        return [
            JobWarning(
                "The interior has no frame: which way is up was not found, and the model lies as it was scanned. Give "
                "axes.up in the job sheet (parts, interior, axes).",
                STATE.format("which way is up", "up"),
            )
        ]
    room = frame.room
    found = []
    if not room.up.decided:
        found.append(
            JobWarning(
                "The interior is square to its own planes, but which of them is the floor is assumed: give the number "
                "of the floor's plane, as the drawing of the room shows it (parts, interior, axes, up).",
                STATE.format("which plane is the floor", "up"),
            )
        )
    if not room.along.decided:
        found.append(
            JobWarning(
                "Which way the interior's length runs is assumed: give the number of the front wall's plane, as the "
                "drawing of the room shows it (parts, interior, axes, forward).",
                STATE.format("which plane is the front wall", "forward"),
            )
        )
    elif frame.heading.found_by == "kept":
        found.append(
            JobWarning(
                "Which end of the interior is the front is not known; left and right may be exchanged (parts, "
                "interior, axes, forward).",
                STATE.format("which end of the interior is the front", "forward"),
            )
        )
    elif frame.heading.assumed:
        found.append(
            JobWarning(
                "Which end of the interior is the front is assumed; left and right may be exchanged (parts, "
                "interior, axes, forward).",
                STATE.format("which end of the interior is the front", "forward"),
            )
        )
    if not frame.zero_planes["y"].found:
        found.append(
            JobWarning(
                "The middle of the interior was not found: zero Y stays as scanned, and no size of the whole room can "
                "be stated.",
                "Scan both side walls of the interior.",
            )
        )
    return found
