"""Warnings on what the targets and scale bars of a part show about the vehicle and the scanner."""

from collections.abc import Mapping
from typing import Any

from nightbay.core.text_format import mm, number, plural
from nightbay.measure.result import COVERAGE
from nightbay.network.result import DriftEstimate, NetworkResult
from nightbay.report.next_step import AGAIN, JobWarning
from nightbay.report.part import Part

DATA_SHEET = "scan.target_noise_mm and scan.target_drift_mm_per_m"


def of_network(network: NetworkResult | None) -> list[JobWarning]:
    """What the targets show about the vehicle and the scanner."""
    if network is None:
        return []
    found = [
        JobWarning(
            f"Something moved by {mm(group.body.size_mm)} between the control survey and segment {group.segment}: the "
            "vehicle on its suspension, a door or a lid; see the notes.",
            f"Find out what moved in segment {group.segment}; scan it again where that matters.",
        )
        for group in network.moved_groups
    ]
    found += [
        JobWarning(
            f"Scale bar {bar.from_id}–{bar.to_id} is off by {mm(bar.difference_mm, 3, sign=True)}, more than the "
            "uncertainties allow.",
            f"Check the ids and the certified length of scale bar {bar.from_id}–{bar.to_id}, or calibrate the scanner.",
        )
        for bar in network.scale_bars
        if not bar.passed
    ]
    factor = network.variance_factor
    if factor and factor.variance_factor > factor.high:
        found.append(
            JobWarning(
                "The target lists agree worse than declared; the uncertainties were enlarged to match.",
                f"Check the scanner's calibration, or set {DATA_SHEET} to what it does.",
            )
        )
    return found + [_drift_warning(drift) for drift in network.drift if _exceeds_declared(drift)]


def _exceeds_declared(drift: DriftEstimate) -> bool:
    """Beyond what the uncertainties cover: what is declared is one standard uncertainty of one survey."""
    return drift.drift_mm_per_m - 2 * drift.sd_mm_per_m > COVERAGE * drift.declared_mm_per_m


def _drift_warning(drift: DriftEstimate) -> JobWarning:
    return JobWarning(
        f"The target lists drift by {number(drift.drift_mm_per_m, 3)} mm/m; {number(drift.declared_mm_per_m, 3)} mm/m "
        f"were declared. Over {number(drift.extent_mm / 1000, 1)} m that is {mm(drift.effect_mm)}, more than the "
        "uncertainties cover.",
        f"Set scan.target_drift_mm_per_m to what the scanner does and {AGAIN}, or calibrate the scanner.",
    )


def unmeasured_bars(part: Part, sheet: Mapping[str, Any]) -> list[JobWarning]:
    """Scale bars of the job sheet that could not be measured. They belong to the exterior, or to the only part."""
    belong = part.name == "exterior" or len(sheet.get("parts", {})) == 1
    if not sheet.get("scale_bars") or not belong or part.network is None or part.network.scale_bars:
        return []
    return [
        JobWarning(
            f"The scale was not checked: {plural(sheet['scale_bars'], '{count} scale bar', '{count} scale bars')} of the job sheet could not be "
            "measured, because there is no network of targets with the ends.",
            f"Export the target lists with the ends of the scale bars and {AGAIN}.",
        )
    ]
