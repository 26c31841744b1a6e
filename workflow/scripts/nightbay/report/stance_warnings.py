"""Warnings on the stance of a vehicle: a body that moved on its wheels between segments, wheels with two surfaces,
doors and lids that stood differently."""

from nightbay.core.language import phrase, say
from nightbay.core.text_format import area, listing, mm, number
from nightbay.frame.result import FrameResult
from nightbay.measure.result import COVERAGE
from nightbay.report.next_step import JobWarning
from nightbay.stance.result import Contradicted, DoubledWheel, MovedPanel, Movement, Stance

WHEELS = {
    name: name
    for name in (
        phrase("front left"), phrase("front right"), phrase("rear left"), phrase("rear right"), phrase("front"),
        phrase("rear"),
    )
}  # fmt: skip
SIDES = {
    "left": phrase("left side"),
    "right": phrase("right side"),
    "front": phrase("front end"),
    "rear": phrase("rear end"),
    "top": phrase("upper side"),
    "below": phrase("underside"),
}
# All wheels lean by less in a sound vehicle: cambers differ left to right by some tenths of a degree, on both axles
# alike hardly ever (common practice, no source).
LEAN_DEG, LEAN_SDS = 0.15, 4.0


def warnings(frame: FrameResult | None) -> list[JobWarning]:
    """The warnings of a part's stance; none where it was not looked at or nothing moved."""
    if frame is None or frame.stance is None:
        return []
    stance = frame.stance
    found = [] if stance.chosen_by == "job sheet" else [_moved(moved, stance) for moved in stance.movements]
    found += [_doubled(wheel) for wheel in stance.doubled_wheels if set(wheel.segments) <= set(stance.used)]
    found += [_panel(panel) for panel in stance.panels if panel.chosen_by != "job sheet"]
    found += [_contradicted(surface) for surface in stance.looked_through]
    return found + _leaning(stance)


def wheel_in_words(name: str) -> str:
    """The name of a wheel in the language in use."""
    return say(WHEELS[name]) if name in WHEELS else name


def side_in_words(side: str) -> str:
    """The side of the vehicle on which a panel lies, in the language in use."""
    return say(SIDES[side])


def stood(moved: Movement) -> str:
    """How the body of a segment stood, in a sentence."""
    turns = {
        "roll": degrees(moved.roll_deg, moved.roll_sd_deg),
        "pitch": degrees(moved.pitch_deg, moved.pitch_sd_deg),
    }
    if moved.drop_front_mm is None or moved.drop_rear_mm is None:
        largest = max(moved.wheels, key=lambda wheel: abs(wheel.rise_mm))
        return say(
            "It stood lower by up to {drop}, turned by {roll} to the right and by {pitch} nose down.",
            drop=_drop(largest.rise_mm, largest.sd_mm),
            **turns,
        )
    return say(
        "It stood lower by {front} at the front axle and by {rear} at the rear axle (minus: higher), turned by {roll} "
        "to the right and by {pitch} nose down.",
        front=_drop(moved.drop_front_mm, moved.drop_front_sd_mm),
        rear=_drop(moved.drop_rear_mm, moved.drop_rear_sd_mm),
        **turns,
    )


def degrees(value: float, sd: float) -> str:
    """An angle with its expanded uncertainty."""
    return f"{number(value, 2)}° ± {number(COVERAGE * sd, 2)}°"


def _drop(value_mm: float, sd_mm: float | None) -> str:
    return f"{number(value_mm, 1)} ± {mm(COVERAGE * (sd_mm or 0.0), 1)}"


def _moved(moved: Movement, stance: Stance) -> JobWarning:
    """A body that stood differently in a segment."""
    values = {"name": moved.segment, "used": listing(stance.used), "stood": stood(moved)}
    step = say(
        "Check whether somebody sat in the vehicle or leaned on it while segment {name} was scanned. If it shows the "
        "vehicle as it should stand, write its name into job.yaml (parts, exterior, stance, wheels_from) and run the "
        "same command.",
        name=moved.segment,
    )
    if stance.chosen_by == "agreement":
        return JobWarning(
            say(
                "In segment {name} the body stood differently on its wheels. {stood} Wheels and ground of the model "
                "come from the segments that agree: {used}. What segment {name} saw of the wheels is left out.",
                **values,
            ),
            step,
        )
    return JobWarning(
        say(
            "In segment {name} the body stood differently on its wheels, and nothing shows which segments are right. "
            "{stood} Wheels and ground of the model come from {used}, which saw more of them. Height, frame and wheels "
            "are those of one stance of two.",
            **values,
        ),
        step,
    )


def _doubled(wheel: DoubledWheel) -> JobWarning:
    """A wheel of which the model has two surfaces."""
    values = {"wheel": wheel_in_words(wheel.wheel), "segments": listing(wheel.segments)}
    return JobWarning(
        say(
            "Wheel {wheel} stood differently in the segments {segments}: higher by {rise}, turned inwards by {toe}, "
            "leaning outwards by {lean}. It was steered, turned or moved between the runs, and its surface is double.",
            rise=_drop(wheel.rise_mm, wheel.rise_sd_mm),
            toe=degrees(wheel.toe_deg, wheel.angle_sd_deg),
            lean=degrees(wheel.lean_deg, wheel.angle_sd_deg),
            **values,
        ),
        say("Scan wheel {wheel} again in one run, or do not use its surface.", **values),
    )


def _panel(panel: MovedPanel) -> JobWarning:
    """A door, a lid or another rigid patch that stood differently in two segments."""
    used, other = panel.segments
    values = {
        "used": used,
        "other": other,
        "side": side_in_words(panel.place),
        "size": area(panel.area_mm2),
        "x": number(panel.low_mm[0]),
        "x_end": number(panel.high_mm[0]),
        "z": number(panel.low_mm[2]),
        "z_end": mm(panel.high_mm[2], 0),
        "median": _drop(panel.median_mm, panel.sd_mm),
        "most": mm(panel.most_mm, 1),
        "turn": degrees(panel.turn_deg, panel.turn_sd_deg),
    }
    if panel.chosen_by == "agreement":
        sentence = say(
            "A panel of {size} ({side}, X {x} to {x_end}, Z {z} to {z_end}) stood differently in segment {other}: "
            "outwards by {median}, at most {most}, turned by {turn}. It may be a door or a lid that was not closed. "
            "The model has it as segment {used} and others that agree saw it.",
            **values,
        )
    else:
        sentence = say(
            "A panel of {size} ({side}, X {x} to {x_end}, Z {z} to {z_end}) stood differently in segment {other}: "
            "outwards by {median}, at most {most}, turned by {turn}. It may be a door or a lid that was not closed, "
            "and nothing shows which segment is right. The model has it as segment {used} saw it.",
            **values,
        )
    return JobWarning(
        sentence,
        say(
            "Check which of the segments {used} and {other} shows the panel as it should stand; write its name into "
            "job.yaml (parts, exterior, stance, panels_from) and run the same command.",
            used=used,
            other=other,
        ),
    )


def _contradicted(surface: Contradicted) -> JobWarning:
    """Surface in the model that another segment contradicts."""
    return JobWarning(
        say(
            "{size} of surface ({side}, X {x} to {x_end}, Z {z} to {z_end}, {count} points) of segment {name} stand "
            "where segment {through} looked through: something stood there in one run only, or hung open. It is in the "
            "model.",
            size=area(surface.area_mm2),
            side=side_in_words(surface.place),
            x=number(surface.low_mm[0]),
            x_end=number(surface.high_mm[0]),
            z=number(surface.low_mm[2]),
            z_end=mm(surface.high_mm[2], 0),
            count=number(surface.count),
            name=surface.segment,
            through=surface.through,
        ),
        say("Look at this place in segment {name}, and remove what is not of the vehicle.", name=surface.segment),
    )


def _leaning(stance: Stance) -> list[JobWarning]:
    """Wheels that all lean the same way, where no segments could be compared."""
    lean, sd = stance.lean_deg, stance.lean_sd_deg
    if lean is None or sd is None or len(stance.compared) > 1 or abs(lean) < max(LEAN_DEG, LEAN_SDS * sd):
        return []
    return [
        JobWarning(
            say(
                "All wheels lean to the right together by {lean}, and no two segments show the same ground or wheel: "
                "the body may have stood differently while the ground was scanned. Height and frame are in doubt by as "
                "much.",
                lean=degrees(lean, sd),
            ),
            say("Scan the ground and the wheels of both sides again in one run."),
        )
    ]
