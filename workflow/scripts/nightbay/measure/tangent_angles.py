"""Angles in side view between the ground and the lines that touch a tyre and pass through a point, closed forms.

A tyre is a circle of ``radius_mm`` about its axle at ``height_mm``; what of it would lie below the ground, Z = 0, is
pressed flat. All angles are in rad, of arrays (n,) of points at ``ahead_mm`` of the axle and ``up_mm`` above the
ground.
"""

import numpy as np

NEVER = np.pi / 2  # of a point that no such line reaches: it lies above the tyre's own outline


def angle(ahead_mm: np.ndarray, up_mm: np.ndarray, height_mm: float, radius_mm: float) -> np.ndarray:
    """Angle of the line through each point that touches the tyre from below, (n,) rad; :data:`NEVER` where the point
    lies on the tyre, or not ahead of it.

    From the point, the axle is seen at the angle phi below the level and the tyre's circle half as wide as
    asin(radius / distance), which gives the line's angle as their sum. A line that would touch the circle below the
    ground passes through the front end of the flat instead.
    """
    ahead = np.asarray(ahead_mm, np.float64)
    up = np.asarray(up_mm, np.float64)
    distance = np.hypot(ahead, up - height_mm)
    clear = (distance > radius_mm) & (ahead > 0.0)
    ratio = np.divide(radius_mm, distance, out=np.ones_like(distance), where=clear)
    found = np.arctan2(up - height_mm, ahead) + np.arcsin(ratio)
    if height_mm < radius_mm:
        flat = float(np.sqrt(radius_mm**2 - height_mm**2))  # half of it
        at_flat = found < np.arccos(height_mm / radius_mm)
        found = np.where(at_flat, np.arctan2(up, np.maximum(ahead - flat, 1e-9)), found)
    return np.where(clear, np.minimum(found, NEVER), NEVER)


def touching_point(line_rad: float, height_mm: float, radius_mm: float) -> np.ndarray:
    """Where a line at an angle touches the tyre: how far ahead of the axle and above the ground, (2,) mm."""
    if height_mm < radius_mm and line_rad < np.arccos(height_mm / radius_mm):
        return np.array([np.sqrt(radius_mm**2 - height_mm**2), 0.0])
    return np.array([radius_mm * np.sin(line_rad), height_mm - radius_mm * np.cos(line_rad)])
