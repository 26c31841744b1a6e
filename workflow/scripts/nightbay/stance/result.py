"""What frame's result says of the stance: whether body, wheels and ground stood to each other alike in all segments."""

from dataclasses import dataclass, field
from typing import Literal

ChosenBy = Literal["agreement", "job sheet", "extent", "nothing moved"]
Side = Literal["front", "rear", "left", "right", "top", "below"]
Where = Literal["wheels", "panel", "floor"]


@dataclass(frozen=True)
class WheelRise:
    """How much higher the ground stood below a wheel, against the body; ``wheel`` in words, ``at_mm`` [x, y] in the
    vehicle frame, ``rise_mm`` with standard uncertainty ``sd_mm``."""

    wheel: str
    at_mm: list[float]
    rise_mm: float
    sd_mm: float


@dataclass(frozen=True)
class Movement:
    """How the body of a ``segment`` stood against its wheels and ground, compared with the segments that are used.

    ``drop_front_mm``, ``drop_rear_mm``: how much lower the body stood at the first and the last axle, None without
    wheels; ``roll_deg``: how far it leaned to the right; ``pitch_deg``: nose down; each with its standard uncertainty,
    from noise, poses, drift and the floor's unevenness. ``wheels``: the drop of the body at each wheel.
    """

    segment: str
    drop_front_mm: float | None
    drop_front_sd_mm: float | None
    drop_rear_mm: float | None
    drop_rear_sd_mm: float | None
    roll_deg: float
    roll_sd_deg: float
    pitch_deg: float
    pitch_sd_deg: float
    wheels: list[WheelRise]


@dataclass(frozen=True)
class DoubledWheel:
    """A wheel of which ``segments``, two names, hold two surfaces: ``apart_mm`` median distance; ``rise_mm`` of the
    second against the first with ``rise_sd_mm``; ``lean_deg`` outwards and ``toe_deg`` inwards ahead, of the second
    against the first, with ``angle_sd_deg`` of both."""

    wheel: str
    segments: list[str]
    apart_mm: float
    rise_mm: float
    rise_sd_mm: float
    lean_deg: float
    toe_deg: float
    angle_sd_deg: float


@dataclass(frozen=True)
class LeftOut:
    """Points of a ``segment`` that the model is made without: ``count`` of them, about ``area_mm2``, ``where`` they
    lie: on "wheels", a "panel" or the "floor"; ``low_mm``, ``high_mm`` in the vehicle frame."""

    segment: str
    count: int
    area_mm2: float
    where: Where
    low_mm: list[float]
    high_mm: list[float]


@dataclass(frozen=True)
class Contradicted:
    """Surface of a ``segment`` that stands where the segment ``through`` looked through, and is in the model: ``count``
    points, ``area_mm2`` by the cells that it fills, ``place``: the side that it faces; ``low_mm``, ``high_mm`` in the
    vehicle frame."""

    segment: str
    through: str
    count: int
    area_mm2: float
    place: Side
    low_mm: list[float]
    high_mm: list[float]


@dataclass(frozen=True)
class MovedPanel:
    """A rigid patch of surface that stood differently in two segments.

    ``segments``: the two, the one that is used first; ``chosen_by`` as of :class:`Stance`; ``place``: the side that it
    faces; ``at_mm``, ``low_mm``, ``high_mm`` in the vehicle frame; ``area_mm2``; ``median_mm`` and ``most_mm``: how far
    the second stood outside of the first along the normal, negative inside, with ``sd_mm``; ``turn_deg`` with
    ``turn_sd_deg``; ``left_mm``: rms distance that is left after the patch is moved as a rigid body.
    """

    segments: list[str]
    chosen_by: ChosenBy
    place: Side
    at_mm: list[float]
    low_mm: list[float]
    high_mm: list[float]
    area_mm2: float
    median_mm: float
    most_mm: float
    sd_mm: float
    turn_deg: float
    turn_sd_deg: float
    left_mm: float


@dataclass(frozen=True)
class Stance:
    """Whether body, wheels and ground stood to each other alike in all segments.

    ``compared``: segments whose ground or wheels could be compared with another's; ``used``: those that wheels and
    ground come from; ``chosen_by``: "agreement" (no other set of segments is as large), "job sheet", "extent" (the sets
    are equally large: the one that saw more is used), or "nothing moved"; ``movements`` of the other segments, from the
    largest; ``doubled_wheels``; ``lean_deg``: how far all wheels together lean to the vehicle's right, None without two
    pairs, with ``lean_sd_deg``; ``panels`` that stood differently; ``left_out``: points the model is made without;
    ``looked_through``: surface in the model that another segment contradicts.
    """

    compared: list[str]
    used: list[str]
    chosen_by: ChosenBy
    movements: list[Movement]
    doubled_wheels: list[DoubledWheel]
    lean_deg: float | None = None
    lean_sd_deg: float | None = None
    panels: list[MovedPanel] = field(default_factory=list)
    left_out: list[LeftOut] = field(default_factory=list)
    looked_through: list[Contradicted] = field(default_factory=list)
