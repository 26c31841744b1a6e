"""The uncertainty of a dimension: a budget of standard uncertainties by cause."""

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from nightbay.features.result import At20C
from nightbay.frame.result import FrameResult
from nightbay.measure.result import COVERAGE
from nightbay.meshes.surface import Surface
from nightbay.refine.result import RefinedPose, Scale
from nightbay.uncertainty import registration


def combine(budget_mm: Mapping[str, float | None]) -> float:
    """The expanded uncertainty, mm, of a budget {cause: standard uncertainty mm, None where it is not known}.

    Unknown causes are left out of the sum; whoever shows the number must name them (see :func:`unknown`).
    """
    return float(COVERAGE * np.sqrt(sum(value**2 for value in budget_mm.values() if value is not None)))


def unknown(budget_mm: Mapping[str, float | None]) -> list[str]:
    """The causes whose size is not known."""
    return sorted(name for name, value in budget_mm.items() if value is None)


def root_sum(values: Iterable[float | None]) -> float | None:
    """Root of the sum of squares; None where one of them is not known."""
    known = []
    for value in values:
        if value is None:
            return None
        known.append(value)
    return float(np.sqrt(sum(value**2 for value in known)))


def rectangular_sd_mm(half_width_mm: float) -> float:
    """Standard deviation of a rectangular distribution (JCGM 100:2008, 4.3.7)."""
    return float(half_width_mm / np.sqrt(3.0))


def registration_sd_mm(
    point_mm: np.ndarray, direction: np.ndarray, frame: FrameResult, poses: Mapping[str, RefinedPose]
) -> float | None:
    """Standard uncertainty along ``direction``, (3,) unit, of a point (3,), both of the vehicle frame, from the poses.

    The largest among the segments that may have measured the point; None where there is none.
    """
    found = registration.point_sd_mm(np.array([point_mm], dtype=float), direction, registration.of(frame, poses))[0]
    return None if np.isnan(found) else float(found)


def ground_sd_mm(frame: FrameResult, at_mm: np.ndarray) -> float | None:
    """Standard uncertainty of the ground below a point (3,) of an exterior: of its height, and of its tilt by the
    point's lever; None where either is not known."""
    ground = frame.ground
    ground_mm = frame.zero_planes["z"].sd_mm if ground is None else ground.sd_mm
    rotations = [frame.rotation_sd_deg[name] for name in "xy"]
    known = [rotation for rotation in rotations if rotation is not None]
    if ground_mm is None or len(known) < len(rotations):
        return None
    bounds = frame.segments.values()
    low, high = (np.array([getattr(some, name) for some in bounds]) for name in ("low_mm", "high_mm"))
    lever = np.linalg.norm((at_mm - (low.min(axis=0) + high.max(axis=0)) / 2)[:2])
    return float(np.hypot(ground_mm, lever * np.radians(max(known))))


def surface_sd_mm(surface: Surface, rows: np.ndarray, noise_mm: float) -> float:
    """Standard uncertainty of a surface's position along its normal where some vertices, ``rows``, define a plane.

    The spread of the measured points over the root of their count where the surface carries both, else one point's
    noise. Vertices near each other share points: they do not average any further.
    """
    if "count" in surface.vertex and "spread_mm" in surface.vertex:
        count = np.maximum(surface.vertex["count"][rows].astype(float), 1.0)
        spread = np.maximum(surface.vertex["spread_mm"][rows].astype(float), noise_mm)
        return float(np.mean(spread / np.sqrt(count)))
    return float(noise_mm)


def scale_sd_mm(length_mm: float, sd: float) -> float:
    """Standard uncertainty of a length from that of a factor on it, ``sd``."""
    return sd * length_mm


def at_20_c(length_mm: float, budget_mm: Mapping[str, float | None], scale: Scale) -> At20C | None:
    """A length at 20 degrees Celsius where the body's temperature is known and was not applied, else None."""
    temperature = scale.temperature
    if temperature is None or "temperature" in scale.applied:
        return None
    expanding = {**budget_mm, "temperature": scale_sd_mm(abs(length_mm), temperature.sd)}
    return At20C(float(length_mm * temperature.factor), combine(expanding))


def drift_sd_mm(length_mm: float, scan: Any) -> float:
    """What the survey's own growth of error adds over a length; ``scan``: settings of the scan."""
    return scan.target_drift_mm_per_m * length_mm / 1000.0
