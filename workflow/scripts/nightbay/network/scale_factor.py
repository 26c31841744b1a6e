"""The factor that all lengths of a part are multiplied by, from scale bars and temperature.

The factor belongs to the coordinates of all lists and clouds, and poses stay rigid: the network's poses and targets and
every cloud after it (:func:`nightbay.orientation.normal_orientation.open_posed`) are in corrected millimetres.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from nightbay.core.errors import Rejected
from nightbay.network import scale_bars
from nightbay.network.adjusted_network import AdjustedNetwork
from nightbay.network.result import Scale, ScaleBar, ScaleFromTemperature
from nightbay.network.scale_bars import REFERENCE_C

LARGEST = 0.01  # a calibrated scanner's scale error is far smaller (common practice, no source)
TEMPERATURE_SD_K = 1.0  # of a body's temperature, read by contact in one or two positions (common practice, no source)

# Coefficients of expansion, 1/K: lowest and highest of what handbooks give (values from memory); the plastic is
# polypropylene, and a mixed body may follow any of its metals.
EXPANSION_PER_K = {
    "steel": (11e-6, 12e-6),
    "aluminium": (23e-6, 24e-6),
    "plastic": (100e-6, 150e-6),
    "mixed": (11e-6, 24e-6),
}


def to_reference(temperature_c: float, material: str) -> ScaleFromTemperature:
    """The factor that reduces lengths of a body at ``temperature_c`` to those at 20 degrees Celsius (ISO 1).

    Its standard uncertainty takes the range of coefficients as a uniform distribution, and the temperature as known to
    :data:`TEMPERATURE_SD_K`.
    """
    low, high = EXPANSION_PER_K[material]
    mean, half = (low + high) / 2, (high - low) / 2
    rise = temperature_c - REFERENCE_C
    sd = float(np.hypot(rise * half / np.sqrt(3), mean * TEMPERATURE_SD_K))
    return ScaleFromTemperature(1 / (1 + mean * rise), sd, temperature_c, material)


def scale(bars: Sequence[ScaleBar], sheet: Mapping[str, Any], settings: Any) -> Scale:
    """The factor with its standard uncertainty and its components; ``settings``: the section network.

    Raises :class:`Rejected` where the settings ask for a factor that the job sheet gives no data for, or that no
    scanner explains.
    """
    if settings.scale_from_bars and sheet["scale_bars"] == []:
        raise Rejected("network.scale_from_bars is set, but the job sheet has no scale_bars: list them or unset it.")
    from_bars = scale_bars.factor(bars) if bars else None
    if settings.scale_from_bars and from_bars is not None and abs(from_bars.factor - 1) > LARGEST:
        raise Rejected(
            f"The scale bars ask for a factor of {from_bars.factor:.4f} on all lengths; a scanner's scale is within "
            f"{LARGEST:.0%}: check their ids and lengths, and the units of the target lists."
        )
    temperature_c, material = sheet["temperature_c"], sheet["body_material"]
    from_temperature = None
    if temperature_c is not None and material is not None:
        from_temperature = to_reference(temperature_c, material)
    elif settings.to_20_c:
        raise Rejected(
            "network.to_20_c is set, but the job sheet's state lacks temperature_c or body_material: give both or "
            "unset it."
        )
    applied: dict[Any, Any] = {}
    if settings.scale_from_bars and from_bars is not None:
        applied["scale bars"] = from_bars
    if settings.to_20_c and from_temperature is not None:
        applied["temperature"] = from_temperature
    return Scale(
        factor=float(np.prod([part.factor for part in applied.values()])),
        sd=float(np.linalg.norm([part.sd for part in applied.values()])) if applied else None,
        applied=list(applied),
        bars=from_bars,
        temperature=from_temperature,
    )


def without_network(sheet: Mapping[str, Any], settings: Any) -> Scale:
    """The factor of a part whose segments are not tied by targets: no bar can be measured, the temperature counts.

    Raises :class:`Rejected` where the settings ask for the scale of bars.
    """
    if settings.scale_from_bars and sheet["scale_bars"] is not None:
        raise Rejected(
            "network.scale_from_bars is set, but there is no network of targets in which a scale bar could be "
            "measured: export the target lists or unset it."
        )
    return scale([], dict(sheet) | {"scale_bars": None}, settings)


def apply(found: AdjustedNetwork, factor: float) -> AdjustedNetwork:
    """The network with all lengths multiplied by ``factor``. Residuals and covariances, whose last digits a factor near
    one does not reach, stay in the scanner's millimetres."""
    if factor == 1.0:
        return found
    adjusted = found.snooped.adjusted
    T = adjusted.T_control_list.copy()
    T[:, :3, 3] *= factor
    adjusted = replace(adjusted, T_control_list=T, xyz_mm=adjusted.xyz_mm * factor)
    return replace(
        found,
        lists=[replace(target_list, xyz_mm=target_list.xyz_mm * factor) for target_list in found.lists],
        snooped=replace(found.snooped, adjusted=adjusted),
        observations=replace(found.observations, xyz_mm=found.observations.xyz_mm * factor),
    )
