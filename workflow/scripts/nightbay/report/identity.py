"""Who, what and when: the head of a page."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

Audience = Literal["shop", "customer"]
LABELS = {
    "reference": "Reference",
    "scanned_on": "Scanned on",
    "place": "Place",
    "operator": "Operator",
    "scanner": "Scanner",
    "calibrated_on": "Scanner calibrated on",
}
VEHICLE = {"registration": "Registration", "vin": "Vehicle identification number"}


@dataclass(frozen=True)
class Identity:
    """What the head of a page states, values by their labels, and the labels of what the job sheet does not state."""

    stated: dict[str, str]
    missing: list[str]


def identity(given: Mapping[str, Any], audience: Audience) -> Identity:
    """The :class:`Identity` by the section of the job sheet.

    The vehicle's registration and number are shown only where ``show_vehicle`` allows it for this ``audience``.
    """
    shown = LABELS | (VEHICLE if given.get("show_vehicle", "nowhere") in ("both", audience) else {})
    stated = {label: given[key] for key, label in shown.items() if key in given}
    return Identity(stated, [label[0].lower() + label[1:] for key, label in LABELS.items() if key not in given])
