"""Who, what and when: the head of a page."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from nightbay.core.language import phrase, say

Audience = Literal["shop", "customer"]
LABELS = {  # each as a label, and in a sentence
    "reference": (phrase("Reference"), phrase("reference")),
    "scanned_on": (phrase("Scanned on"), phrase("scanned on")),
    "place": (phrase("Place"), phrase("place")),
    "operator": (phrase("Operator"), phrase("operator")),
    "scanner": (phrase("Scanner"), phrase("scanner")),
    "calibrated_on": (phrase("Scanner calibrated on"), phrase("scanner calibrated on")),
}
VEHICLE = {"registration": phrase("Registration"), "vin": phrase("Vehicle identification number")}


@dataclass(frozen=True)
class Identity:
    """What the head of a page states, values by their labels, and the labels of what the job sheet does not state."""

    stated: dict[str, str]
    missing: list[str]


def identity(given: Mapping[str, Any], audience: Audience) -> Identity:
    """The :class:`Identity` by the section of the job sheet.

    The vehicle's registration and number are shown only where ``show_vehicle`` allows it for this ``audience``.
    """
    shown = {key: label for key, (label, _) in LABELS.items()}
    if given.get("show_vehicle", "nowhere") in ("both", audience):
        shown |= VEHICLE
    stated = {say(label): given[key] for key, label in shown.items() if key in given}
    return Identity(stated, [say(words) for key, (_, words) in LABELS.items() if key not in given])
