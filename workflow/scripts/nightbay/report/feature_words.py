"""Ordered features in words: their kinds, values and verdicts, and what a reader must know before using the model."""

from collections.abc import Iterator

import numpy as np

from nightbay.core.conformity import Verdict
from nightbay.core.language import phrase, say, stage_sentence
from nightbay.core.text_format import digits_of, mm, number, plus_minus
from nightbay.features.result import Feature, Ordered, Value
from nightbay.report.next_step import JobWarning
from nightbay.report.part import Part

KINDS = {
    "point": phrase("point"),
    "plane": phrase("plane"),
    "line": phrase("straight edge"),
    "circle": phrase("round edge"),
    "hole": phrase("hole"),
    "mount": phrase("mount"),
    "cylinder": phrase("cylinder"),
    "sphere": phrase("sphere"),
    "hub": phrase("hub"),
    "hole_pattern": phrase("hole pattern"),
    "station": phrase("station"),
}
SIGNS: dict[Verdict, str] = {"inside": "✓", "outside": "✗", "undecided": "?"}  # of different shapes, not colours
VERDICTS: dict[Verdict, str] = {
    "inside": phrase("inside the tolerance"),
    "outside": phrase("outside the tolerance"),
    "undecided": phrase("not decided: the uncertainty reaches over a limit"),
}
REFUSED: dict[Ordered, str] = {
    "feature": phrase("The feature '{name}' of the job sheet can't be stated: {reason}."),
    "distance": phrase("The distance '{name}' between features can't be stated: {reason}."),
    "angle": phrase("The angle '{name}' between features can't be stated: {reason}."),
}
CORRECT: dict[Ordered, str] = {
    "feature": phrase("Correct the feature '{name}' in job.yaml, or scan its place again."),
    "distance": phrase("Correct the distance '{name}' in job.yaml, or the features that it names."),
    "angle": phrase("Correct the angle '{name}' in job.yaml, or the features that it names."),
}


def stated(value: Value) -> str:
    """A value with its expanded uncertainty."""
    if value.unit == "mm":
        return plus_minus(value.value, value.uncertainty)
    digits = digits_of(value.uncertainty)
    return f"{number(value.value, digits)} ± {number(value.uncertainty, digits)}°"


def place(feature: Feature) -> str:
    """Where a feature without coordinates of its own lies, in the vehicle frame."""
    x, y, z = (number(float(value), 1) for value in feature.point_mm)
    if feature.kind == "station" and feature.direction is not None:
        axis = int(np.argmax(np.abs(feature.direction)))
        return f"{'XYZ'[axis]} {mm(float(feature.point_mm[axis]), 1)}"
    return say("X {x}, Y {y}, Z {z}", x=x, y=y, z=z)


def at_20_c(value: Value) -> str:
    """A length at 20 degrees Celsius; empty where it is not known apart from the value."""
    return "" if value.at_20_c is None else plus_minus(value.at_20_c.value_mm, value.at_20_c.uncertainty_mm)


def difference(amount: float | None, value: Value) -> str:
    """A nominal value's deviation or an allowed one, in the value's unit, with its sign; a dash without."""
    return "–" if amount is None else _in_unit(amount, value, sign=True)


def nominal(value: Value) -> str:
    """The nominal value, or that none is given."""
    return say("not given") if value.nominal is None else _in_unit(value.nominal, value, sign=False)


def tolerance(value: Value) -> str:
    """The allowed deviations; a dash without."""
    if value.lower is None:
        return "–" if value.upper is None else f"≤ {difference(value.upper, value)}"
    if value.upper is None:
        return f"≥ {difference(value.lower, value)}"
    return f"{difference(value.lower, value)} … {difference(value.upper, value)}"


def verdict(value: Value) -> str:
    """The verdict on a tolerance with its sign; a dash without a tolerance."""
    if value.verdict is None:
        return "–"
    words = say(VERDICTS[value.verdict])
    return f"{SIGNS[value.verdict]} {words}"


def _in_unit(amount: float, value: Value, sign: bool) -> str:
    digits = digits_of(value.uncertainty)
    return mm(amount, digits, sign=sign) if value.unit == "mm" else f"{number(amount, digits, sign)}°"


def refusals(part: Part) -> list[str]:
    """A sentence on each feature, distance or angle that was ordered and can't be stated."""
    ordered = part.measure.features if part.measure else None
    if ordered is None:
        return []
    return [
        say(REFUSED[each.what], name=each.name, reason=stage_sentence(each.reason).rstrip("."))
        for each in ordered.refused
    ]


def warnings(part: Part) -> list[JobWarning]:
    """What was ordered and can't be stated, and what is outside its tolerance or not decided."""
    ordered = part.measure.features if part.measure else None
    if ordered is None:
        return []
    found = [
        JobWarning(sentence, say(CORRECT[each.what], name=each.name))
        for each, sentence in zip(ordered.refused, refusals(part), strict=True)
    ]
    for name, value in _judged(part):
        values = {"name": name, "value": stated(value), "nominal": nominal(value), "tolerance": tolerance(value)}
        if value.verdict == "outside":
            found.append(
                JobWarning(
                    say(
                        "{name} is outside its tolerance: {value}, nominal {nominal}, allowed deviations {tolerance}.",
                        **values,
                    ),
                    say("Check {name} on the vehicle before anything is built on it.", name=name),
                )
            )
        elif value.verdict == "undecided":
            found.append(
                JobWarning(
                    say(
                        "Whether {name} is inside its tolerance is not decided: {value}, nominal {nominal}, allowed "
                        "deviations {tolerance}.",
                        **values,
                    ),
                    say("Measure {name} by other means where the tolerance matters.", name=name),
                )
            )
    return found


def _judged(part: Part) -> Iterator[tuple[str, Value]]:
    """The values with a verdict, each with its name in a sentence."""
    ordered = part.measure.features if part.measure else None
    if ordered is None:
        return
    for feature in ordered.features:
        for value in feature.values:
            if value.verdict:
                yield say("The diameter of '{name}'", name=feature.name), value
    for value in [*ordered.distances, *ordered.angles]:
        if value.verdict:
            yield f"'{value.name}'", value
