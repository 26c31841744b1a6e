"""The distance between two targets of a calibrated scale bar."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from nightbay.artefact import calibration, quantity
from nightbay.artefact.result import Quantity
from nightbay.matching.targets import Targets


def measure(listed: Targets | None, entry: Mapping[str, Any], file: str, target_noise_mm: float) -> Quantity | str:
    """The error of the distance, or a sentence on why it is not measured.

    ``listed``: targets of the segment whose export is ``file``; ``target_noise_mm``: standard deviation of a
    coordinate of a target, as declared: two targets don't show it.
    """
    name = entry["name"]
    if listed is None or listed.id is None:
        return (
            f"{file} has no list of targets with ids, so scale bar {name} is not measured: export the list beside it."
        )
    ends = []
    for end in (entry["from"], entry["to"]):
        rows = [row for row, found in enumerate(listed.id) if found == end]
        if len(rows) != 1:
            return (
                f"{file}: its list of targets has {len(rows)} with the id {end} of scale bar {name}, and 1 is "
                "needed: scan the whole bar, or correct the ids."
            )
        ends.append(listed.xyz_mm[rows[0]])
    measured = float(np.linalg.norm(ends[1] - ends[0]))
    distance = calibration.length(entry, "distance")
    budget_mm = {"declared target noise": float(np.sqrt(2.0) * target_noise_mm), **distance.budget_mm}
    error = measured - distance.value_mm
    return quantity.of("target_spacing", None, error, budget_mm, np.inf, measured, distance.value_mm)
