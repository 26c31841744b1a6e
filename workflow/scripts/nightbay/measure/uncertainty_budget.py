"""The uncertainty of a dimension, as a sum of what is known to move it."""

import numpy as np

from nightbay.core import rigid

COVERAGE = 2  # k: about 95 % of the cases where the parts are many and alike in size
NEAR_MM = 60.0  # a segment whose bounds come that near to a point may have measured it


def combine(parts):
    """``parts`` {name: standard uncertainty mm, or None where it is not known}: the expanded uncertainty, mm.

    What is not known is left out of the sum; whoever shows the number has to say so (see ``unknown``).
    """
    return float(COVERAGE * np.sqrt(sum(value**2 for value in parts.values() if value is not None)))


def unknown(parts):
    """Names of the parts that are not known."""
    return sorted(name for name, value in parts.items() if value is None)


def registration_sd_mm(point_mm, direction, frame_result, poses):
    """Standard uncertainty along ``direction``, (3,) unit, of a point (3,), both of the vehicle frame, from the poses.

    The largest among the segments that may have measured the point; None where a pose has no covariance.
    """
    T_control_vehicle = rigid.invert(np.array(frame_result["T_vehicle_control"]))
    point = rigid.transform(T_control_vehicle, [point_mm])[0]
    direction = rigid.rotate(T_control_vehicle, [direction])[0]
    # a small turn w and shift t move the point by w x p + t
    moves = np.concatenate([np.cross(point, direction), direction])
    variances = []
    for name in sorted(poses):
        bounds = frame_result["segments"][name]
        if np.all(point_mm > np.array(bounds["low_mm"]) - NEAR_MM) and np.all(
            point_mm < np.array(bounds["high_mm"]) + NEAR_MM
        ):
            covariance = poses[name].get("covariance")
            if covariance is None:
                return None
            variances.append(float(moves @ np.array(covariance, float) @ moves))
    return float(np.sqrt(max(variances))) if variances else None


def surface_sd_mm(surface, rows, noise_mm):
    """Standard uncertainty of a surface's place along its normal where some vertices, ``rows``, bear a plane.

    The spread of the measured points over the root of their count where the surface carries both, else one point's
    noise. Vertices near each other share points, so they do not average any further.
    """
    if "count" in surface.vertex and "spread_mm" in surface.vertex:
        count = np.maximum(surface.vertex["count"][rows].astype(float), 1.0)
        spread = np.maximum(surface.vertex["spread_mm"][rows].astype(float), noise_mm)
        return float(np.mean(spread / np.sqrt(count)))
    return float(noise_mm)


def scale_sd_mm(length_mm, scale):
    """What the factor that lengths were multiplied by adds over a length; ``scale`` of the result of refine."""
    return scale["sd"] * length_mm


def drift_sd_mm(length_mm, scan):
    """What the survey's own growth of error adds over a length."""
    return scan["target_drift_mm_per_m"] * length_mm / 1000.0
