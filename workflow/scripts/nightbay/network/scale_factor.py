"""What scale bars and temperature say about the lengths of a part, and the factor that lengths are multiplied by.

The factor belongs to the coordinates of all lists and clouds, so that poses stay rigid: the network's poses and targets
and every cloud after it (:func:`nightbay.orientation.normal_orientation.open_posed`) are in corrected millimetres.
"""

from dataclasses import replace

import numpy as np

from nightbay.core.errors import Rejected
from nightbay.network import scale_bars

LARGEST = 0.01  # far more than a scanner that was ever calibrated is off (common practice, no source)


def result(found, sheet, parameters, inflate):
    """Scale bars, temperature, and the factor that lengths are multiplied by."""
    temperature = sheet["temperature_c"]
    bars = [_bar(found, one, temperature, inflate) for one in sheet["scale_bars"] or []]
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
    if parameters["scale_from_bars"] and sheet["scale_bars"] == []:
        raise Rejected("network.scale_from_bars is set, but the job sheet has no scale_bars: list them or unset it.")
    from_bars = dict(zip(("factor", "sd"), scale_bars.factor(bars), strict=True)) if bars else None
    if parameters["scale_from_bars"] and bars and abs(from_bars["factor"] - 1) > LARGEST:
        raise Rejected(
            f"The scale bars ask for a factor of {from_bars['factor']:.4f} on all lengths; a scanner's scale is within "
            f"{LARGEST:.0%}: check their ids and lengths, and the units of the target lists."
        )
    return {"scale_bars": rows, "scale": _scale(from_bars, sheet, parameters)}


def without_network(sheet, parameters):
    """The same for a part whose segments are not tied by targets: no bar can be measured, the temperature counts."""
    if parameters["scale_from_bars"] and sheet["scale_bars"] is not None:
        raise Rejected(
            "network.scale_from_bars is set, but there is no network of targets in which a scale bar could be "
            "measured: export the target lists or unset it."
        )
    return {"scale_bars": [], "scale": _scale(None, sheet, parameters)}


def _scale(from_bars, sheet, parameters):
    """The factor with its standard uncertainty, and what it is made of."""
    temperature, material = sheet["temperature_c"], sheet["body_material"]
    from_temperature = None
    if temperature is not None and material is not None:
        value, sd = scale_bars.to_reference(temperature, material)
        from_temperature = {"factor": value, "sd": sd, "temperature_c": temperature, "material": material}
    elif parameters["to_20_c"]:
        raise Rejected(
            "network.to_20_c is set, but the job sheet's state lacks temperature_c or body_material: give both or "
            "unset it."
        )
    wanted = {
        "scale bars": from_bars if parameters["scale_from_bars"] else None,
        "temperature": from_temperature if parameters["to_20_c"] else None,
    }
    applied = {name: one for name, one in wanted.items() if one is not None}
    return {
        "factor": float(np.prod([one["factor"] for one in applied.values()])),
        "sd": float(np.linalg.norm([one["sd"] for one in applied.values()])) if applied else None,
        "applied": list(applied),
        "bars": from_bars,
        "temperature": from_temperature,
    }


def apply(found, factor):
    """The network with all lengths multiplied by ``factor``. Residuals and covariances, whose last digits a factor near
    one does not reach, stay in the scanner's millimetres."""
    if factor == 1.0:
        return found
    adjusted = found.snooped.adjusted
    T = adjusted.T_control_station.copy()
    T[:, :3, 3] *= factor
    adjusted = replace(adjusted, T_control_station=T, xyz_mm=adjusted.xyz_mm * factor)
    return replace(
        found,
        lists=[replace(one, xyz_mm=one.xyz_mm * factor) for one in found.lists],
        snooped=replace(found.snooped, adjusted=adjusted),
        observations=replace(found.observations, xyz_mm=found.observations.xyz_mm * factor),
    )


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
        certified *= 1 + bar["expansion_per_k"] * (temperature - scale_bars.REFERENCE_C)
    measured, sd = scale_bars.length(found.snooped.adjusted, *numbers, inflate)
    return scale_bars.check_bar((bar["from"], bar["to"]), certified, bar["sd_mm"], measured, sd)


def _number_of(found, row):
    """Number of the target of a row of the survey's file; the second record of a doubled target leads to the first."""
    for one in found.doubles:
        if one.verdict in ("joined", "dropped") and one.rows[1] == row:
            row = one.rows[0]
    return int(np.flatnonzero(found.survey_rows == row)[0])
