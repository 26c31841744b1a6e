"""Warnings on what the targets and scale bars of a part show about the vehicle and the scanner."""

from collections.abc import Mapping
from typing import Any

from nightbay.core.language import say
from nightbay.core.text_format import mm, number, plural
from nightbay.measure.result import COVERAGE
from nightbay.network.result import DriftEstimate, MovedGroup, NetworkResult, ScaleBar
from nightbay.report.next_step import JobWarning
from nightbay.report.part import NAMES, Part


def of_network(network: NetworkResult | None) -> list[JobWarning]:
    """What the targets show about the vehicle and the scanner."""
    if network is None:
        return []
    found = [_moved(group) for group in network.moved_groups]
    found += [_scale_bar(bar) for bar in network.scale_bars if not bar.passed]
    factor = network.variance_factor
    if factor and factor.variance_factor > factor.high:
        found.append(
            JobWarning(
                say("The target lists agree worse than declared; the uncertainties were enlarged to match."),
                say(
                    "Check the scanner's calibration, or set scan.target_noise_mm and scan.target_drift_mm_per_m to "
                    "what it does."
                ),
            )
        )
    return found + [_drift_warning(drift) for drift in network.drift if _exceeds_declared(drift)]


def _moved(group: MovedGroup) -> JobWarning:
    return JobWarning(
        say(
            "Something moved by {length} between the control survey and segment {name}: the vehicle on its "
            "suspension, a door or a lid; see the notes.",
            length=mm(group.body.size_mm),
            name=group.segment,
        ),
        say("Find out what moved in segment {name}; scan it again where that matters.", name=group.segment),
    )


def _scale_bar(bar: ScaleBar) -> JobWarning:
    name = f"{bar.from_id}–{bar.to_id}"
    return JobWarning(
        say(
            "Scale bar {name} is off by {length}, more than the uncertainties allow.",
            name=name,
            length=mm(bar.difference_mm, 3, sign=True),
        ),
        say(
            "Check the ids and the certified length of scale bar {name}, or calibrate the scanner.",
            name=name,
        ),
    )


def _exceeds_declared(drift: DriftEstimate) -> bool:
    """Beyond what the uncertainties cover: what is declared is one standard uncertainty of one survey."""
    return drift.drift_mm_per_m - 2 * drift.sd_mm_per_m > COVERAGE * drift.declared_mm_per_m


def _drift_warning(drift: DriftEstimate) -> JobWarning:
    return JobWarning(
        say(
            "The target lists drift by {drift} mm/m; {declared} mm/m were declared. Over {extent} m that is {effect}, "
            "more than the uncertainties cover.",
            drift=number(drift.drift_mm_per_m, 3),
            declared=number(drift.declared_mm_per_m, 3),
            extent=number(drift.extent_mm / 1000, 1),
            effect=mm(drift.effect_mm),
        ),
        say(
            "Set scan.target_drift_mm_per_m to what the scanner does and run the same command, or calibrate the "
            "scanner."
        ),
    )


def unmeasured_bars(part: Part, sheet: Mapping[str, Any]) -> list[JobWarning]:
    """Scale bars of the job sheet that could not be measured. They belong to the exterior, or to the only part."""
    belong = part.name == "exterior" or len(set(sheet.get("parts", {})) & set(NAMES)) == 1
    if not sheet.get("scale_bars") or not belong or part.network is None or part.network.scale_bars:
        return []
    return [
        JobWarning(
            plural(
                sheet["scale_bars"],
                "The scale was not checked: {count} scale bar of the job sheet could not be measured, because there is "
                "no network of targets with the ends.",
                "The scale was not checked: {count} scale bars of the job sheet could not be measured, because there "
                "is no network of targets with the ends.",
            ),
            say("Export the target lists with the ends of the scale bars and run the same command."),
        )
    ]
