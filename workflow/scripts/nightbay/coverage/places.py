"""Where on a vehicle a place lies: end, side, height, and the wheel, roof or corner that it is near; and the words for
it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from nightbay.core.language import phrase, say
from nightbay.core.text_format import number

SIDE_OF_MIDDLE = 0.15  # share of the width within which a place lies in the middle
# Shares of the height at which windows begin and the roof does, and wheel radii up to the sill (common practice, no
# source).
BELT, ROOF, SILL = 0.55, 0.85, 1.2
ARCH = 1.45  # radii round an axle that belong to the wheel arch
AT_M = 0.05  # nearer than that a place lies at an axle

WORDS = {
    "left": phrase("left side, {height} ({along}, {above_ground})"),
    "right": phrase("right side, {height} ({along}, {above_ground})"),
    "front": phrase("front, {height}, {side} ({above_ground})"),
    "rear": phrase("rear, {height}, {side} ({above_ground})"),
    "roof": phrase("roof, {side} ({along}, {above_ground})"),
    "top": phrase("top, {side} ({along}, {above_ground})"),
}
HEIGHTS = {
    "sill": phrase("at sill height"),
    "body": phrase("below the windows"),
    "windows": phrase("at window height"),
    "roof": phrase("at the edge of the roof"),
}
SIDES = {
    "left": phrase("towards the left"),
    "right": phrase("towards the right"),
    "middle": phrase("in the middle"),
}
ARCHES = {
    ("front", "left"): phrase("front left wheel arch"),
    ("front", "right"): phrase("front right wheel arch"),
    ("rear", "left"): phrase("rear left wheel arch"),
    ("rear", "right"): phrase("rear right wheel arch"),
    ("single", "left"): phrase("left wheel arch"),
    ("single", "right"): phrase("right wheel arch"),
    ("numbered", "left"): phrase("axle {axle} left wheel arch"),
    ("numbered", "right"): phrase("axle {axle} right wheel arch"),
}
# Ahead of, at and behind an axle, or the front end where no axle is known.
ALONG = {
    "front": (
        phrase("{distance} m ahead of the front axle"),
        phrase("at the front axle"),
        phrase("{distance} m behind the front axle"),
    ),
    "rear": (
        phrase("{distance} m ahead of the rear axle"),
        phrase("at the rear axle"),
        phrase("{distance} m behind the rear axle"),
    ),
    "single": (
        phrase("{distance} m ahead of the axle"),
        phrase("at the axle"),
        phrase("{distance} m behind the axle"),
    ),
    "numbered": (
        phrase("{distance} m ahead of axle {axle}"),
        phrase("at axle {axle}"),
        phrase("{distance} m behind axle {axle}"),
    ),
    "none": (
        phrase("{distance} m ahead of the front end"),
        phrase("at the front end"),
        phrase("{distance} m behind the front end"),
    ),
}


@dataclass(frozen=True)
class Location:
    """Where a place lies. ``axle``: number of the nearest, from 0, of all ``axles``, None without any; ``along_m``: how
    far behind it, or behind the front end without any; ``in_arch``: round that axle, as its wheel arches are."""

    height: Literal["sill", "body", "windows", "roof"]
    side: Literal["left", "right", "middle"]
    above_ground_m: float
    along_m: float
    axle: int | None
    axles: int
    in_arch: bool


@dataclass(frozen=True)
class Frame:
    """What places are named by, in the design grid (X rearward, Y right, Z up): bounds ``low_mm`` and ``high_mm``
    (3,); ``axles_x_mm`` from the front, and ``radius_mm`` of the wheels, 0 where it is not known."""

    low_mm: np.ndarray
    high_mm: np.ndarray
    axles_x_mm: Sequence[float] = ()
    radius_mm: float = 0.0

    def in_arch(self, centre_mm: np.ndarray) -> bool:
        """Whether a place, (3,), lies round an axle, as wheel arches do."""
        off = [np.hypot(centre_mm[0] - x_mm, centre_mm[2] - self.radius_mm) for x_mm in self.axles_x_mm]
        return bool(off) and bool(min(off) < ARCH * self.radius_mm)

    def location(self, centre_mm: np.ndarray) -> Location:
        """Where a place, (3,), lies."""
        share = (centre_mm - self.low_mm) / np.maximum(self.high_mm - self.low_mm, 1.0)
        marks_mm = np.array([*self.axles_x_mm] or [float(self.low_mm[0])])
        nearest = int(np.argmin(np.abs(marks_mm - centre_mm[0])))
        return Location(
            height=self._height(centre_mm, share[2]),
            side="middle" if abs(share[1] - 0.5) < SIDE_OF_MIDDLE else "left" if share[1] < 0.5 else "right",
            above_ground_m=float(centre_mm[2]) / 1000,
            along_m=float(centre_mm[0] - marks_mm[nearest]) / 1000,
            axle=nearest if self.axles_x_mm else None,
            axles=len(self.axles_x_mm),
            in_arch=self.in_arch(centre_mm),
        )

    def _height(self, centre_mm: np.ndarray, share: float) -> Literal["sill", "body", "windows", "roof"]:
        if centre_mm[2] < SILL * self.radius_mm:
            return "sill"
        if share < BELT:
            return "body"
        return "windows" if share < ROOF else "roof"


def words(location: Location, view: str) -> str:
    """A place in words, such as "rear left wheel arch" or "left side, below the windows (0.6 m behind the front axle,
    0.8 m above the ground)"; ``view`` it is seen from."""
    if view in ("left", "right") and location.in_arch:
        return say(ARCHES[_axle(location), view], axle=_axle_number(location))
    seen = "roof" if view == "top" and location.height == "roof" else view
    return say(
        WORDS[seen],
        height=say(HEIGHTS[location.height]),
        side=say(SIDES[location.side]),
        along=_along(location),
        above_ground=say("{distance} m above the ground", distance=number(location.above_ground_m, 1)),
    )


def _along(location: Location) -> str:
    ahead, at, behind = ALONG[_axle(location)]
    off_m = abs(location.along_m)
    message = at if off_m < AT_M else behind if location.along_m > 0 else ahead
    return say(message, distance=number(off_m, 1), axle=_axle_number(location))


def _axle(location: Location) -> str:
    """What the nearest axle is called by."""
    if location.axle is None:
        return "none"
    return {1: ("single",), 2: ("front", "rear")}.get(location.axles, ("numbered",) * location.axles)[location.axle]


def _axle_number(location: Location) -> str:
    return "" if location.axle is None else number(location.axle + 1)
