"""Checks the scale of a network with bars of certified length."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from nightbay.core import distributions
from nightbay.core.errors import Rejected
from nightbay.network.adjusted_network import AdjustedNetwork
from nightbay.network.model import Adjusted
from nightbay.network.result import ScaleBar, ScaleFromBars

REFERENCE_C = 20.0  # ISO 1: the temperature that certified lengths hold for


def length(adjusted: Adjusted, i: int, j: int, variance_factor: float = 1.0) -> tuple[float, float]:
    """Distance of two adjusted targets and its standard deviation, mm, from all covariances between both."""
    solution = adjusted.solution
    difference = adjusted.xyz_mm[i] - adjusted.xyz_mm[j]
    measured = float(np.linalg.norm(difference))
    cross = np.zeros((3, 3))
    if len(solution.Q_shared):
        cross = solution.Q_cross[i] @ np.linalg.solve(solution.Q_shared, solution.Q_cross[j].T)
    Q = adjusted.covariance_mm2[i] + adjusted.covariance_mm2[j] - cross - cross.T
    along = difference / measured
    return measured, float(np.sqrt(max(along @ Q @ along, 0.0) * variance_factor))


def check_bar(
    ids: tuple[str, str], certified: tuple[float, float], measured: tuple[float, float], significance: float = 0.05
) -> ScaleBar:
    """Two-sided test of the difference of a certified and a measured length, each in mm with its standard deviation;
    ``ids`` of the targets at both ends."""
    w = (measured[0] - certified[0]) / np.hypot(certified[1], measured[1])
    return ScaleBar(
        from_id=ids[0],
        to_id=ids[1],
        certified_mm=certified[0],
        certified_sd_mm=certified[1],
        measured_mm=measured[0],
        measured_sd_mm=measured[1],
        difference_mm=measured[0] - certified[0],
        w=float(w),
        passed=bool(abs(w) <= distributions.normal_above(significance / 2)),
    )


def factor(bars: Sequence[ScaleBar]) -> ScaleFromBars:
    """The factor on measured lengths that makes them agree with all bars best, and its standard deviation.

    Bars that disagree by more than their uncertainties enlarge it by the root of their variance factor.
    """
    ratio = np.array([bar.certified_mm / bar.measured_mm for bar in bars])
    sd = np.array([np.hypot(bar.certified_sd_mm, bar.measured_sd_mm) / bar.measured_mm for bar in bars])
    weight = 1 / sd**2
    mean = float(np.average(ratio, weights=weight))
    variance_factor = (weight * (ratio - mean) ** 2).sum() / max(len(bars) - 1, 1)
    return ScaleFromBars(mean, float(np.sqrt(max(variance_factor, 1.0) / weight.sum())))


def check_all(found: AdjustedNetwork, sheet: Mapping[str, Any], variance_factor: float) -> list[ScaleBar]:
    """The scale bars of the job ``sheet``, measured in a network whose covariances are multiplied by
    ``variance_factor``.

    Raises :class:`Rejected` for a bar between targets that the survey does not have once each.
    """
    return [_check(found, bar, sheet["temperature_c"], variance_factor) for bar in sheet["scale_bars"] or []]


def _check(
    found: AdjustedNetwork, bar: Mapping[str, Any], temperature_c: float | None, variance_factor: float
) -> ScaleBar:
    ids = found.survey.id if found.survey is not None else None
    if found.survey is None or ids is None:
        raise Rejected(
            f"The scale bar {bar['from']} to {bar['to']} names targets, but there is no control survey with ids: "
            "export the ids with it, or remove the bar."
        )
    targets = []
    for end in (bar["from"], bar["to"]):
        if ids.count(end) != 1:
            raise Rejected(
                f"{found.survey.file} has {ids.count(end)} targets with the id {end}, which a scale bar "
                "names; one is needed: correct the id."
            )
        targets.append(_target_of(found, ids.index(end)))
    certified = bar["length_mm"]
    if bar.get("expansion_per_k") is not None and temperature_c is not None:
        certified *= 1 + bar["expansion_per_k"] * (temperature_c - REFERENCE_C)
    measured = length(found.snooped.adjusted, targets[0], targets[1], variance_factor)
    return check_bar((bar["from"], bar["to"]), (certified, bar["sd_mm"]), measured)


def _target_of(found: AdjustedNetwork, row: int) -> int:
    """Number of the target of a row of the survey's file; both records of a duplicate lead to the same target."""
    for pair in found.duplicates:
        if pair.is_one_target and pair.rows[1] == row:
            row = pair.rows[0]
    return int(np.flatnonzero(found.survey_rows == row)[0])
