"""Planes of sections, each with coordinates of its own, and planes as a job sheet asks for them."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

UPRIGHT = 1e-6  # sine of the angle to Z below which a normal counts as upright: every line of its plane is level
STEPS = 1e-9  # of a step, lets a range end on its last plane in spite of rounding
DECIMALS = 6  # of the places in a range, mm


@dataclass(frozen=True)
class Plane:
    """A plane of a section and its coordinates.

    ``name``; ``point_mm`` (3,): a point of the plane in the vehicle frame, (0, 0) of its coordinates; ``across`` and
    ``up`` (3,): the directions of its two coordinates, unit vectors in the vehicle frame, at right angles.
    """

    name: str
    point_mm: np.ndarray
    across: np.ndarray
    up: np.ndarray

    @property
    def normal(self) -> np.ndarray:
        """Unit vector (3,) towards the viewer, who sees ``across`` to the right and ``up`` upwards."""
        return np.cross(self.across, self.up) + 0.0  # no negative zeros

    def in_plane(self, points_mm: np.ndarray) -> np.ndarray:
        """Coordinates (k, 2) in the plane of points (k, 3) of the vehicle frame, mm."""
        return (points_mm - self.point_mm) @ np.column_stack([self.across, self.up])

    def in_space(self, points_mm: np.ndarray) -> np.ndarray:
        """Points (k, 3) of the vehicle frame, mm, from coordinates (k, 2) in the plane."""
        return self.point_mm + points_mm @ np.stack([self.across, self.up])


@dataclass(frozen=True)
class AxisPlane(Plane):
    """A plane across an ``axis`` (0, 1, 2) of the vehicle frame at ``value_mm``: its coordinates are the frame's two
    others, in their order."""

    axis: int
    value_mm: float


def axis_plane(name: str, axis: int, value_mm: float) -> AxisPlane:
    """The plane across an ``axis`` (0, 1, 2) of the vehicle frame at a value on it."""
    point_mm = np.zeros(3)
    point_mm[axis] = value_mm
    across, up = np.delete(np.eye(3), axis, axis=0)
    return AxisPlane(name, point_mm, across, up, axis, float(value_mm))


def oblique_plane(name: str, point_mm: np.ndarray, normal: np.ndarray) -> Plane:
    """The plane through a point across a ``normal`` (3,), not zero: its first coordinate is level, its second points
    upwards. In a level plane the first is the frame's X."""
    towards = np.asarray(normal, np.float64) / np.linalg.norm(normal)
    level = np.cross([0.0, 0.0, 1.0], towards)
    if np.linalg.norm(level) < UPRIGHT:
        level = np.array([1.0, 0.0, 0.0]) - towards[0] * towards
    across = level / np.linalg.norm(level)
    return Plane(name, np.asarray(point_mm, np.float64), across + 0.0, np.cross(towards, across) + 0.0)


def ordered_planes(order: Mapping[str, Any]) -> list[Plane]:
    """The planes that an entry of ``sections`` in a job sheet asks for: one, or those of a range in their order."""
    if "pitch_mm" in order:
        places = places_of(order["from_mm"], order["to_mm"], order["pitch_mm"])
        names = [f"{order['name']} {place:g}" for place in places]
    else:
        places, names = [order.get("value_mm", 0.0)], [order["name"]]
    if "axis" in order:
        axis = "xyz".index(order["axis"])
        return [axis_plane(name, axis, place) for name, place in zip(names, places, strict=True)]
    first = oblique_plane("", order["point_mm"], order["normal"])
    return [
        Plane(name, first.point_mm + place * first.normal, first.across, first.up)
        for name, place in zip(names, places, strict=True)
    ]


def places_of(from_mm: float, to_mm: float, pitch_mm: float) -> list[float]:
    """Places a pitch apart from the first to the last of a range: coordinates, or distances along a normal, mm."""
    count = int(np.floor((to_mm - from_mm) / pitch_mm + STEPS)) + 1
    return [round(float(from_mm + at * pitch_mm), DECIMALS) + 0.0 for at in range(max(count, 0))]
