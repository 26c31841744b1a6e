"""What a rerun changed of a job: its report against the one that the board showed before."""

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from nightbay.core.language import phrase, say
from nightbay.core.text_format import digits_of, listing, mm, plural
from nightbay.report.board_rows import LABELS
from nightbay.report.part import NAMES

LISTED = 6  # parameters that are named with both values; the rest is counted
NOTHING = phrase("Run again: state, sizes and parameters are as before.")
STATED, NOT_STATED = phrase("{sizes}: now stated."), phrase("{sizes}: no longer stated.")


def changes(before: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    """Sentences on what differs between two entries ``shown`` of the board: {"state", "sizes", "parameters"}."""
    found = [*_state(before, now), *_sizes(before["sizes"], now["sizes"]), *_parameters(before, now)]
    return found or [say(NOTHING)]


def _state(before: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[str]:
    if before["state"] != now["state"]:
        yield say("State: {now}; before: {before}.", now=say(LABELS[now["state"]]), before=say(LABELS[before["state"]]))


def _sizes(before: Sequence[Mapping[str, Any]], now: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """Sizes that moved by more than the last digit that is shown, that are new, and that are gone."""
    old = {(size["part"], size["key"]): size for size in before}
    new = {(size["part"], size["key"]): size for size in now}
    for key, size in new.items():
        if key not in old:
            continue
        difference_mm = size["value_mm"] - old[key]["value_mm"]
        digits = digits_of(size["uncertainty_mm"])
        if round(difference_mm, digits) != 0:
            yield say(
                "{size}: {difference} against before.",
                size=_name(size),
                difference=mm(difference_mm, digits, sign=True),
            )
    for sizes, others, message in ((new, old, STATED), (old, new, NOT_STATED)):
        names = [_name(size) for key, size in sizes.items() if key not in others]
        if names:
            listed = listing(names)
            yield say(message, sizes=listed[0].upper() + listed[1:])


def _name(size: Mapping[str, Any]) -> str:
    part = say(NAMES[size["part"]])
    return f"{size['name']} ({part})"


def _parameters(before: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[str]:
    old, new = dict(_flat(before["parameters"])), dict(_flat(now["parameters"]))
    differing = [key for key in sorted({*old, *new}) if old.get(key, _ABSENT) != new.get(key, _ABSENT)]
    for key in differing[:LISTED]:
        if key not in old:
            yield say("Parameter {key}: {value}; before: none.", key=key, value=_value(new[key]))
        elif key not in new:
            yield say("Parameter {key}: none; before: {value}.", key=key, value=_value(old[key]))
        else:
            yield say(
                "Parameter {key}: {value}; before: {before}.", key=key, value=_value(new[key]), before=_value(old[key])
            )
    if len(differing) > LISTED:
        yield plural(
            len(differing) - LISTED, "{count} further parameter changed.", "{count} further parameters changed."
        )


_ABSENT = object()


def _flat(values: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, Any]]:
    """The leaves of nested mappings by their dotted keys."""
    for key, value in values.items():
        if isinstance(value, Mapping):
            yield from _flat(value, f"{prefix}{key}.")
        else:
            yield f"{prefix}{key}", value


def _value(value: Any) -> str:
    if isinstance(value, float) and math.isfinite(value):
        return f"{value:g}"
    return str(value)
