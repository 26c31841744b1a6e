"""What a reader must know of the frame of a room before using its model."""

from nightbay.core.language import say
from nightbay.frame.result import FrameResult
from nightbay.report.next_step import JobWarning


def warnings(frame: FrameResult | None) -> list[JobWarning]:
    """Sentences on an interior without a frame, and on directions that are assumed; none for an exterior."""
    if frame is None or frame.room is None:
        return []
    if not frame.zero_planes["z"].found:
        return [
            JobWarning(
                say(
                    "The interior has no frame: which way is up was not found, and the model lies as it was scanned. "
                    "Give axes.up in the job sheet (parts, interior, axes)."
                ),
                say("State which way is up in job.yaml (parts, interior, axes, up) and run the same command."),
            )
        ]
    return [*_directions(frame), *_middle(frame)]


def _directions(frame: FrameResult) -> list[JobWarning]:
    """Of a room with a floor plane: which of its directions are assumed."""
    room = frame.room
    found = []
    if room and not room.up.decided:
        found.append(
            JobWarning(
                say(
                    "The interior is square to its own planes, but which of them is the floor is assumed: give the "
                    "number of the floor's plane, as the drawing of the room shows it (parts, interior, axes, up)."
                ),
                say("State which plane is the floor in job.yaml (parts, interior, axes, up) and run the same command."),
            )
        )
    if room and not room.along.decided:
        found.append(
            JobWarning(
                say(
                    "Which way the interior's length runs is assumed: give the number of the front wall's plane, as "
                    "the drawing of the room shows it (parts, interior, axes, forward)."
                ),
                say(
                    "State which plane is the front wall in job.yaml (parts, interior, axes, forward) and run the same "
                    "command."
                ),
            )
        )
    elif frame.heading.found_by == "kept":
        found.append(
            _front(
                say(
                    "Which end of the interior is the front is not known; left and right may be exchanged (parts, "
                    "interior, axes, forward)."
                )
            )
        )
    elif frame.heading.assumed:
        found.append(
            _front(
                say(
                    "Which end of the interior is the front is assumed; left and right may be exchanged (parts, "
                    "interior, axes, forward)."
                )
            )
        )
    return found


def _front(sentence: str) -> JobWarning:
    step = say(
        "State which end of the interior is the front in job.yaml (parts, interior, axes, forward) and run the same "
        "command."
    )
    return JobWarning(sentence, step)


def _middle(frame: FrameResult) -> list[JobWarning]:
    if frame.zero_planes["y"].found:
        return []
    return [
        JobWarning(
            say(
                "The middle of the interior was not found: zero Y stays as scanned, and no size of the whole room can "
                "be stated."
            ),
            say("Scan both side walls of the interior."),
        )
    ]
