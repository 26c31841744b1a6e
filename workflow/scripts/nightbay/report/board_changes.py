"""What a rerun changed of a job: its report against the one that the board showed before."""

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from nightbay.core.text_format import digits_of, listing, mm, plural

LISTED = 6  # parameters that are named with both values; the rest is counted
NOTHING = "Run again: state, sizes and parameters are as before."


def changes(before: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    """Sentences on what differs between two entries ``shown`` of the board: {"state", "sizes", "parameters"}."""
    found = [*_state(before, now), *_sizes(before["sizes"], now["sizes"]), *_parameters(before, now)]
    return found or [NOTHING]


def _state(before: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[str]:
    if before["state"] != now["state"]:
        yield f"State: {now['state']}; before: {before['state']}."


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
            yield f"{_name(size)}: {mm(difference_mm, digits, sign=True)} against before."
    for sizes, others, words in ((new, old, "now stated"), (old, new, "no longer stated")):
        names = [_name(size) for key, size in sizes.items() if key not in others]
        if names:
            yield f"{names[0][0].upper()}{listing(names)[1:]}: {words}."


def _name(size: Mapping[str, Any]) -> str:
    return f"{size['name']} ({size['part']})"


def _parameters(before: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[str]:
    old, new = dict(_flat(before["parameters"])), dict(_flat(now["parameters"]))
    differing = [key for key in sorted({*old, *new}) if old.get(key, _ABSENT) != new.get(key, _ABSENT)]
    for key in differing[:LISTED]:
        yield f"Parameter {key}: {_value(new.get(key, _ABSENT))}; before: {_value(old.get(key, _ABSENT))}."
    if len(differing) > LISTED:
        yield f"{plural(len(differing) - LISTED, '{count} further parameter', '{count} further parameters')} changed."


_ABSENT = object()


def _flat(values: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, Any]]:
    """The leaves of nested mappings by their dotted keys."""
    for key, value in values.items():
        if isinstance(value, Mapping):
            yield from _flat(value, f"{prefix}{key}.")
        else:
            yield f"{prefix}{key}", value


def _value(value: Any) -> str:
    if value is _ABSENT:
        return "none"
    if isinstance(value, float) and math.isfinite(value):
        return f"{value:g}"
    return str(value)
