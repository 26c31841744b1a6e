"""Names places of a vehicle in words: end, side, height, and the wheel, roof or corner that they are near."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

SIDE_OF_MIDDLE = 0.15  # share of the width within which a place lies in the middle
# Shares of the height at which windows begin and the roof does, and wheel radii up to the sill (common practice, no
# source).
BELT, ROOF, SILL = 0.55, 0.85, 1.2
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
    """A place in words, such as "rear left wheel arch" or "left side, below the windows (0.6 m behind the front axle,
    0.8 m above the ground)"; ``view`` it is seen from."""
    share = (centre_mm - frame.low_mm) / np.maximum(frame.high_mm - frame.low_mm, 1.0)
    side, high = _side(share[1]), f"{centre_mm[2] / 1000:.1f} m above the ground"
    if view in ("left", "right"):
        axle = frame.arch(centre_mm)
        if axle is not None:
            return f"{_axle(axle, len(frame.axles_x_mm))}{view} wheel arch"
        return f"{view} side, {_height(frame, centre_mm, share[2])} ({_along(frame, centre_mm[0])}, {high})"
    where = "in the middle" if side is None else f"towards the {side}"
    if view in ("front", "rear"):
        return f"{view}, {_height(frame, centre_mm, share[2])}, {where} ({high})"
    surface = "roof" if share[2] > ROOF else "top"
    return f"{surface}, {where} ({_along(frame, centre_mm[0])}, {high})"


def _axle(number: int, count: int) -> str:
    """The name of an axle, with a blank behind it; a single one has none."""
    if count == 2:
        return ("front ", "rear ")[number]
    return "" if count == 1 else f"axle {number + 1} "


def _side(share: float) -> str | None:
    if abs(share - 0.5) < SIDE_OF_MIDDLE:
        return None
    return "left" if share < 0.5 else "right"


def _along(frame: Frame, x_mm: float) -> str:
    """Where along the vehicle a place lies: from the nearest axle, or from the front end where no axle is known."""
    marks = [*frame.axles_x_mm] or [float(frame.low_mm[0])]
    names = [f"{_axle(number, len(marks))}axle" for number in range(len(marks))] if frame.axles_x_mm else ["front end"]
    nearest = int(np.argmin(np.abs(np.array(marks) - x_mm)))
    off_m = (x_mm - marks[nearest]) / 1000
    if abs(off_m) < 0.05:
        return f"at the {names[nearest]}"
    return f"{abs(off_m):.1f} m {'behind' if off_m > 0 else 'ahead of'} the {names[nearest]}"


def _height(frame: Frame, centre_mm: np.ndarray, share: float) -> str:
    if centre_mm[2] < SILL * frame.radius_mm:
        return "at sill height"
    if share < BELT:
        return "below the windows"
    return "at window height" if share < ROOF else "at the edge of the roof"
