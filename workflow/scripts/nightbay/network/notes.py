"""Sentences of the report on a network."""

from collections.abc import Mapping
from typing import Any

from nightbay.network.result import DriftEstimate, MovedGroup, NetworkResult, VarianceFactor
from nightbay.network.scale_bars import REFERENCE_C


def on_network(result: NetworkResult) -> list[str]:
    """What a reader of the network's numbers should know."""
    sentences = []
    if result.mode == "free":
        sentences.append(
            "There is no control survey: segments are tied only to each other, errors add up from one to the next, and "
            "no survey checks the whole."
        )
    sentences += _on_variance(result.variance_factor)
    sentences += [_on_moved_group(group) for group in result.moved_groups]
    sentences += [
        _on_drift(drift)
        for drift in result.drift
        if drift.drift_mm_per_m - 2 * drift.sd_mm_per_m > drift.declared_mm_per_m
    ]
    undecided = sum(pair.verdict == "undecided" for pair in result.duplicate_targets)
    if undecided:
        pairs = "pair of survey targets may be one target"
        if undecided > 1:
            pairs = "pairs of survey targets may be one target each"
        sentences.append(f"{undecided} {pairs}: too few segments saw them to decide.")
    if result.without_targets:
        names = ", ".join(result.without_targets)
        sentences.append(f"No list of targets came with {names}: only their surfaces can register them.")
    return sentences


def _on_variance(test: VarianceFactor | None) -> list[str]:
    if test and test.variance_factor > test.high:
        return [
            f"The target lists agree worse than declared (variance factor {test.variance_factor:.2f}); all "
            "uncertainties were enlarged to match."
        ]
    if test and test.variance_factor < test.low:
        return [
            f"The target lists agree better than declared (variance factor {test.variance_factor:.2f}): the declared "
            "noise is cautious. The uncertainties follow from the declared noise."
        ]
    return []


def _on_moved_group(group: MovedGroup) -> str:
    body = group.body
    x, y, z = body.vector_mm
    return (
        f"While segment {group.segment} was scanned, the body was {body.size_mm:.2f} mm "
        f"(sd {body.size_sd_mm:.2f}; X {x:+.2f}, Y {y:+.2f}, Z {z:+.2f} in the control frame) and "
        f"{body.angle_deg:.3f} deg from its pose in the survey, relative to {len(group.targets)} other targets. "
        f"Noise and drift alone would cause that {_rarely(group.p_value)}. The body's targets were used."
    )


def _on_drift(drift: DriftEstimate) -> str:
    return (
        f"The lists drift by {drift.drift_mm_per_m:.3f} mm/m (sd {drift.sd_mm_per_m:.3f}; {drift.method}), which is "
        f"{drift.effect_mm:.2f} mm over {drift.extent_mm / 1000:.1f} m and more than the "
        f"{drift.declared_mm_per_m:g} mm/m declared in scan.target_drift_mm_per_m."
    )


def _rarely(p_value: float) -> str:
    """A probability in words."""
    return "less than once in a million cases" if p_value < 1e-6 else f"once in {1 / max(p_value, 1e-6):.0f} cases"


def on_scale(result: NetworkResult, sheet: Mapping[str, Any]) -> list[str]:
    """Sentences on scale bars and temperature, and on the factor that lengths were multiplied by."""
    sentences = [
        f"Scale bar {bar.from_id} to {bar.to_id} differs by {bar.difference_mm:+.3f} mm from its certificate, "
        f"{abs(bar.w):.1f} times the uncertainty of both."
        for bar in result.scale_bars
        if not bar.passed
    ]
    if sheet["scale_bars"] and not result.scale_bars:
        sentences.append("The scale bars were not measured: there is no network of targets with their ends.")
    scale = result.scale
    if scale.sd is not None:
        sentences.append(
            f"All lengths were multiplied by {scale.factor:.6f} (standard uncertainty {1e3 * scale.sd:.3f} "
            f"mm a metre), as the parameters ask: {' and '.join(scale.applied)}."
        )
    elif scale.temperature and scale.temperature.temperature_c != REFERENCE_C:
        temperature = scale.temperature
        expansion = 1e3 * (1 / temperature.factor - 1)
        sentences.append(
            f"Lengths are those at {temperature.temperature_c:g} degrees Celsius. A body of {temperature.material} is "
            f"{abs(expansion):.3f} mm a metre {'longer' if expansion >= 0 else 'shorter'} there than at 20 (ISO 1; "
            f"standard uncertainty {1e3 * temperature.sd:.3f} mm a metre)."
        )
    return sentences
