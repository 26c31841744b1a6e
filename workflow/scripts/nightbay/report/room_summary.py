"""What a reader must know of the frame of a room before using its model."""

from nightbay.frame.result import FrameResult


def warnings(frame: FrameResult | None) -> list[str]:
    """Sentences on an interior without a frame, and on directions that are assumed; none for an exterior."""
    if frame is None or frame.room is None:
        return []
    if not frame.zero_planes["z"].found:
        return [
            "The interior has no frame: which way is up was not found, and the model lies as it was scanned. Give "
            "axes.up in the job sheet (parts, interior, axes)."
        ]
    room = frame.room
    found = []
    if not room.up.decided:
        found.append(
            "The interior is square to its own planes, but which of them is the floor is assumed: give the number of "
            "the floor's plane, as the drawing of the room shows it (parts, interior, axes, up)."
        )
    if not room.along.decided:
        found.append(
            "Which way the interior's length runs is assumed: give the number of the front wall's plane, as the "
            "drawing of the room shows it (parts, interior, axes, forward)."
        )
    elif frame.heading.found_by == "kept":
        found.append(
            "Which end of the interior is the front is not known; left and right may be exchanged (parts, interior, "
            "axes, forward)."
        )
    elif frame.heading.assumed:
        found.append(
            "Which end of the interior is the front is assumed; left and right may be exchanged (parts, interior, "
            "axes, forward)."
        )
    return found
