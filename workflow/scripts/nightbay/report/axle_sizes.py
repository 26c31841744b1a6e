"""Dimensions and angles that refer to the axles and the ground, in words: table, warnings, and lines of the drawing."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from nightbay.core.language import phrase, say, stage_sentence
from nightbay.core.text_format import digits_of, listing, mm, number, plus_minus
from nightbay.measure.result import Angle, Dimension, MeasureResult, Tolerance
from nightbay.report import drawing, feature_words, fitness_for_use, job_summary, result_words
from nightbay.report.next_step import JobWarning
from nightbay.report.part import Part

DIMENSIONS = (
    "track_front",
    "track_rear",
    "over_tyres_front",
    "over_tyres_rear",
    "front_overhang",
    "rear_overhang",
    "rear_overhang_body",
    "ground_clearance",
)
ANGLES = {
    "approach_angle": phrase("Approach angle"),
    "departure_angle": phrase("Departure angle"),
    "ramp_angle": phrase("Ramp angle"),
}
BEYOND = 0.25  # of a line's length that is drawn further than its point of the body


@dataclass(frozen=True)
class Row:
    """A row of the table; empty texts where there is nothing to say. ``reason``: why the value can't be stated."""

    title: str
    value: str
    nominal: str
    difference: str
    tolerance: str
    verdict: str
    meaning: str
    reason: str


def rows(measured: MeasureResult, network: Any, state: Mapping[str, Any]) -> list[Row]:
    """The rows of the table: what is stated, then what can't be and why."""
    found = []
    titles = job_summary.DIMENSIONS | ANGLES
    for names, values in ((DIMENSIONS, measured.dimensions), (tuple(ANGLES), measured.angles)):
        found += [_row(name, titles[name], values[name], network, state) for name in names if name in values]
    return found + [
        Row(say(titles[name]), "", "", "", "", "", "", stage_sentence(reason))
        for name, reason in measured.not_stated.items()
    ]


def stated(value: Dimension | Angle) -> str:
    """A value with its expanded uncertainty, and with a sign where it is a bound."""
    sign = "≤ " if value.at_most else ""
    if isinstance(value, Dimension):
        return sign + plus_minus(value.value_mm, value.uncertainty_mm, value.unscanned_ends)
    digits = digits_of(value.uncertainty_deg)
    return f"{sign}{number(value.value_deg, digits)} ± {number(value.uncertainty_deg, digits)}°"


def tolerance(allowed: Tolerance | None, value: Dimension | Angle) -> str:
    """The allowed deviations; a dash without."""
    if allowed is None:
        return "–"
    if allowed.lower is None:
        return f"≤ {_amount(allowed.upper, value)}"
    if allowed.upper is None:
        return f"≥ {_amount(allowed.lower, value)}"
    return f"{_amount(allowed.lower, value)} … {_amount(allowed.upper, value)}"


def verdict(value: Dimension | Angle) -> str:
    """The verdict on a tolerance with its sign; a dash without a tolerance."""
    if value.verdict is None:
        return "–"
    signs: Mapping[str, str] = feature_words.SIGNS  # type: ignore[assignment]
    words: Mapping[str, str] = feature_words.VERDICTS  # type: ignore[assignment]
    said = say(words[value.verdict])
    return f"{signs[value.verdict]} {said}"


def _row(name: str, title: str, value: Dimension | Angle, network: Any, state: Mapping[str, Any]) -> Row:
    nominal, difference, _ = _judged(value)
    causes = [*map(result_words.shown, value.unknown), *fitness_for_use.causes_not_covered(name, network, state)]
    meaning = stage_sentence(value.meaning)
    if causes:
        meaning = say("{meaning}; not in the uncertainty: {causes}", meaning=meaning, causes=listing(causes))
    return Row(
        say(title),
        stated(value),
        say("not given") if nominal is None else _amount(nominal, value, sign=False),
        "–" if difference is None else _amount(difference, value),
        tolerance(value.tolerance, value),
        verdict(value),
        meaning,
        "",
    )


def _judged(value: Dimension | Angle) -> tuple[float | None, float | None, float]:
    """Nominal value, difference and expanded uncertainty of a value."""
    if isinstance(value, Dimension):
        return value.nominal_mm, value.difference_mm, value.uncertainty_mm
    return value.nominal_deg, value.difference_deg, value.uncertainty_deg


def _amount(amount: float | None, value: Dimension | Angle, sign: bool = True) -> str:
    if amount is None:
        return "–"
    if isinstance(value, Dimension):
        return mm(amount, 1, sign=sign)
    return f"{number(amount, 1, sign)}°"


def warnings(part: Part, sheet: Mapping[str, Any]) -> list[JobWarning]:
    """Values that are outside their tolerance or not decided, angles that differ from their nominal value, and what the
    job sheet orders and can't be stated."""
    measured = part.measure
    if measured is None or part.name != "exterior":
        return []
    found = []
    titles = job_summary.DIMENSIONS | ANGLES
    values: dict[str, Dimension | Angle] = {**measured.dimensions, **measured.angles}
    for name, value in values.items():
        title = say(titles[name])
        if value.verdict in ("outside", "undecided"):
            found.append(_tolerance_warning(title, value))
        elif isinstance(value, Angle) and value.significant and value.verdict is None:
            found.append(
                JobWarning(
                    say(
                        "{angle} differs from its nominal value by {difference}, more than its uncertainty.",
                        angle=title,
                        difference=_amount(value.difference_deg, value),
                    ),
                    say("Check the nominal value of {angle}, or measure it by hand.", angle=title),
                )
            )
    ordered = [*sheet.get("nominal_mm", {}), *sheet.get("nominal_deg", {})]
    for name in ordered:
        if name in measured.not_stated:
            reason = stage_sentence(measured.not_stated[name])
            found.append(
                JobWarning(
                    say(
                        "{dimension} has a nominal value, but can't be stated: {reason}.",
                        dimension=say(titles[name]),
                        reason=reason,
                    ),
                    say(
                        "Scan what {dimension} is measured between, or measure it by hand.", dimension=say(titles[name])
                    ),
                )
            )
    return found


def _tolerance_warning(title: str, value: Dimension | Angle) -> JobWarning:
    nominal, _, _ = _judged(value)
    values = {
        "name": title,
        "value": stated(value),
        "nominal": _amount(nominal, value, sign=False),
        "tolerance": tolerance(value.tolerance, value),
    }
    if value.verdict == "outside":
        return JobWarning(
            say(
                "{name} is outside its tolerance: {value}, nominal {nominal}, allowed deviations {tolerance}.", **values
            ),
            say("Check {name} on the vehicle before anything is built on it.", name=title),
        )
    return JobWarning(
        say(
            "{name}: whether it keeps its tolerance can't be decided: {value}, nominal {nominal}, allowed deviations "
            "{tolerance}.",
            **values,
        ),
        say("Measure {name} by hand, with an uncertainty that decides.", name=title),
    )


def slopes(part: Part) -> list[drawing.Slope]:
    """The angles as lines of the drawing from the left: from where a plane touches the tyres through its point of the
    body."""
    if part.measure is None:
        return []
    found = []
    for angle in part.measure.angles.values():
        digits = min(1, digits_of(angle.uncertainty_deg))
        label = f"{'≤ ' if angle.at_most else ''}{number(angle.value_deg, digits)}°"
        lines = []
        for tyre in angle.tyres_mm:
            reach = BEYOND if len(angle.tyres_mm) == 1 else 0.0
            start = tyre * (1.0, 0.0, 1.0)
            lines.append((start, start + (1.0 + reach) * (angle.body_mm * (1.0, 0.0, 1.0) - start)))
        at = np.mean([angle.body_mm * (1.0, 0.0, 0.0), lines[0][0] * (1.0, 0.0, 0.0)], axis=0)
        found.append(drawing.Slope(label, at if len(lines) == 1 else angle.body_mm * (1.0, 0.0, 0.0), lines))
    return found
