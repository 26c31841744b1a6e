"""Warnings on planes that were taken for the ground of a segment and can't be the ground of the part."""

from nightbay.core.language import say
from nightbay.core.text_format import listing, mm, number, share
from nightbay.frame.result import FrameResult, GroundLeftOut
from nightbay.report.next_step import JobWarning


def warnings(frame: FrameResult | None) -> list[JobWarning]:
    """A warning for each ground that is left out, and one for those that contradict each other with none in use."""
    listed = [] if frame is None else frame.grounds_left_out
    names = {left.segment for left in listed}
    undecided = [left for left in listed if not left.refused and names.issuperset(left.against)]
    found = [_left_out(left) for left in listed if left not in undecided]
    return found + ([_undecided(undecided)] if undecided else [])


def _left_out(left: GroundLeftOut) -> JobWarning:
    """A plane that is not used while others are, or whatever others show."""
    step = say(
        "Look at segment {name} in the model before you use it, and scan it again with more of the floor beside the "
        "vehicle.",
        name=left.segment,
    )
    if left.refused:
        return JobWarning(
            say(
                "In segment {name} a surface was taken for the ground that is none: {share} of the scanned points lie "
                "below it. It is not used for the frame, but its points were removed: surface of the vehicle may be "
                "missing, and ground may be left in the model.",
                name=left.segment,
                share=share(left.below_share),
            ),
            step,
        )
    return JobWarning(
        say(
            "In segment {name} a surface was taken for the ground that differs from the ground of {used} by {tilt} and "
            "{apart}. It is not used for the frame, but its points were removed: surface of the vehicle may be "
            "missing, and ground may be left in the model.",
            name=left.segment,
            used=listing(left.against),
            tilt=_degrees(left.tilt_deg),
            apart=mm(left.apart_mm, 0),
        ),
        step,
    )


def _undecided(listed: list[GroundLeftOut]) -> JobWarning:
    """Grounds of which nothing shows which is right."""
    worst = max(listed, key=lambda left: left.apart_mm)
    return JobWarning(
        say(
            "The grounds of the segments {names} contradict each other by up to {tilt} and {apart}, and nothing shows "
            "which is right: none is used. Ground may be left in the model, or surface of the vehicle may be missing.",
            names=listing(left.segment for left in listed),
            tilt=_degrees(worst.tilt_deg),
            apart=mm(worst.apart_mm, 0),
        ),
        say("Scan the wheels down to the ground too, or a further segment that shows the ground beside the vehicle."),
    )


def _degrees(value: float) -> str:
    return f"{number(value, 1)}°"
