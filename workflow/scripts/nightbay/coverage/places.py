"""Names places of a vehicle in words: end, side, height, and the wheel, roof or corner that they are near."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

SIDE_OF_MIDDLE = 0.15  # share of the width within which a place lies in the middle
THIRD = 1 / 3
BELT = 0.55  # share of the height above which the windows of a car begin (common practice, no source)
ARCH = 1.45  # radii round an axle that belong to the wheel arch


@dataclass(frozen=True)
class Frame:
    """What places are named by, in the design grid (X rearward, Y right, Z up): bounds ``low_mm`` and ``high_mm``
    (3,); ``axles_x_mm`` from the front, and ``radius_mm`` of the wheels, 0 where it is not known."""

    low_mm: np.ndarray
    high_mm: np.ndarray
    axles_x_mm: Sequence[float] = ()
    radius_mm: float = 0.0

    def arch(self, centre_mm: np.ndarray) -> int | None:
        """Number of the axle in whose wheel arches a place lies, from 0, or None."""
        for number, x_mm in enumerate(self.axles_x_mm):
            if np.hypot(centre_mm[0] - x_mm, centre_mm[2] - self.radius_mm) < ARCH * self.radius_mm:
                return number
        return None


def name(frame: Frame, view: str, centre_mm: np.ndarray) -> str:
    """A place in words, such as "rear left wheel arch" or "roof, front third, right"; ``view`` it is seen from."""
    share = (centre_mm - frame.low_mm) / np.maximum(frame.high_mm - frame.low_mm, 1.0)
    side = _side(share[1])
    if view in ("left", "right"):
        axle = frame.arch(centre_mm)
        if axle is not None and frame.radius_mm:
            return f"{_axle(axle, len(frame.axles_x_mm))} {view} wheel arch"
        return f"{view} side, {_along(share[0])}, {_height(frame, centre_mm, share[2])}"
    if view in ("front", "rear"):
        where = "in the middle" if side is None else f"to the {side}"
        return f"{view}, {_height(frame, centre_mm, share[2])}, {where}"
    surface = "roof" if share[2] > 0.8 else "top"
    return f"{surface}, {_along(share[0])}, {'in the middle' if side is None else side}"


def _axle(number: int, count: int) -> str:
    if count == 2:
        return ("front", "rear")[number]
    return "" if count == 1 else f"axle {number + 1}"


def _side(share: float) -> str | None:
    if abs(share - 0.5) < SIDE_OF_MIDDLE:
        return None
    return "left" if share < 0.5 else "right"


def _along(share: float) -> str:
    return "front third" if share < THIRD else "middle third" if share < 2 * THIRD else "rear third"


def _height(frame: Frame, centre_mm: np.ndarray, share: float) -> str:
    if frame.radius_mm and centre_mm[2] < 1.2 * frame.radius_mm:
        return "at sill height"
    if share < BELT:
        return "below the windows"
    return "at window height" if share < 0.85 else "at the edge of the roof"
