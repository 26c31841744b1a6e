"""What scale bars and temperature say about the lengths of a network, as numbers for the report."""

import numpy as np

from nightbay import scale
from nightbay.errors import Rejected


def result(found, sheet, parameters, inflate):
    """Scale bars, temperature, and the factor that the job sheet wants lengths to be multiplied by."""
    temperature, material = sheet["temperature_c"], sheet["body_material"]
    bars = [_bar(found, one, temperature, inflate) for one in sheet["scale_bars"]]
    factor, sd, applied = 1.0, None, []
    rows = [
        {
            "from": bar.ends[0],
            "to": bar.ends[1],
            "certified_mm": bar.certified_mm,
            "certified_sd_mm": bar.certified_sd_mm,
            "measured_mm": bar.measured_mm,
            "measured_sd_mm": bar.measured_sd_mm,
            "difference_mm": bar.measured_mm - bar.certified_mm,
            "w": bar.w,
            "passed": bar.passed,
        }
        for bar in bars
    ]
    from_bars = None
    if bars:
        value, value_sd = scale.factor(bars)
        from_bars = {"factor": value, "sd": value_sd}
        if parameters["scale_from_bars"]:
            factor, sd, applied = factor * value, value_sd, [*applied, "scale bars"]
    from_temperature = None
    if temperature is not None and material is not None:
        value, value_sd = scale.to_reference(temperature, material)
        from_temperature = {"factor": value, "sd": value_sd, "temperature_c": temperature, "material": material}
        if parameters["to_20_c"]:
            factor, sd, applied = factor * value, float(np.hypot(sd or 0.0, value_sd)), [*applied, "temperature"]
    elif parameters["to_20_c"]:
        raise Rejected(
            "network.to_20_c is set, but the job sheet's state lacks temperature_c or body_material: give both or "
            "unset it."
        )
    if parameters["scale_from_bars"] and not bars:
        raise Rejected("network.scale_from_bars is set, but the job sheet has no scale_bars: list them or unset it.")
    return {
        "scale_bars": rows,
        "scale": {"factor": factor, "sd": sd, "applied": applied, "bars": from_bars, "temperature": from_temperature},
    }


def _bar(found, bar, temperature, inflate):
    if found.survey is None or found.survey.id is None:
        raise Rejected(
            f"The scale bar {bar['from']} to {bar['to']} names targets, but there is no control survey with ids: "
            "export the ids with it, or remove the bar."
        )
    numbers = []
    for end in (bar["from"], bar["to"]):
        if found.survey.id.count(end) != 1:
            raise Rejected(
                f"{found.survey.file} has {found.survey.id.count(end)} targets with the id {end}, which a scale bar "
                "names; one is needed: correct the id."
            )
        numbers.append(_number_of(found, found.survey.id.index(end)))
    certified = bar["length_mm"]
    if bar.get("expansion_per_k") is not None and temperature is not None:
        certified *= 1 + bar["expansion_per_k"] * (temperature - scale.REFERENCE_C)
    measured, sd = scale.length(found.snooped.adjusted, *numbers, inflate)
    return scale.check_bar((bar["from"], bar["to"]), certified, bar["sd_mm"], measured, sd)


def _number_of(found, row):
    """Number of the target of a row of the survey's file; the second record of a doubled target leads to the first."""
    for one in found.doubles:
        if one.verdict in ("joined", "dropped") and one.rows[1] == row:
            row = one.rows[0]
    return int(np.flatnonzero(found.survey_rows == row)[0])
