"""Result of the stage frame: the vehicle frame, how each zero plane was found, and the wheels."""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class ZeroPlane:
    """A zero plane of the vehicle frame: ``normal . x = offset_mm`` in the control frame.

    ``found_by``: what it was found by, "kept" where it stays as scanned, with the ``reason``; ``normal`` (3,) and
    ``sd_mm``, the standard uncertainty of its position, are None then. Of that uncertainty ``shape_sd_mm`` comes from
    the shape of the part and ``registration_sd_mm`` from the poses of its segments. ``wheels``: number of wheels that
    give zero X. For zero Z: ``segments`` that saw the ground, ``spread_mm`` rms between them, ``roughness_mm`` sd of
    the ground about its plane, ``share`` of the points that lie in the floor of an interior. None where it does not
    apply.
    """

    found_by: str
    reason: str | None
    normal: np.ndarray | None
    offset_mm: float | None
    sd_mm: float | None
    shape_sd_mm: float | None = None
    registration_sd_mm: float | None = None
    wheels: int | None = None
    segments: list[str] | None = None
    spread_mm: float | None = None
    roughness_mm: float | None = None
    share: float | None = None

    @property
    def found(self) -> bool:
        """Whether the plane was found; else it stays as scanned."""
        return self.found_by != "kept"


@dataclass(frozen=True)
class Heading:
    """Which end is the front: ``found_by`` "job sheet", "names of segments", "shape" or "kept".

    ``assumed``: only the shape shows it.
    """

    found_by: str
    assumed: bool


@dataclass(frozen=True)
class Symmetry:
    """The body's own symmetry plane.

    ``share`` of the points that have a mirror image within ``limit_mm``; ``rms_mm``: distance of those from the mirror
    image of the other side; ``roll_deg``: how far the plane leans to the right against the ground's upright, with its
    standard uncertainty ``roll_sd_deg``.
    """

    share: float
    rms_mm: float
    limit_mm: float
    roll_deg: float
    roll_sd_deg: float


@dataclass(frozen=True)
class Sides:
    """A value towards the vehicle's left and right, mm; None where it is not known."""

    left: float | None
    right: float | None

    def known(self) -> list[float]:
        """The values that are known, the left one first."""
        return [value for value in (self.left, self.right) if value is not None]


@dataclass(frozen=True)
class WheelResult:
    """A wheel in the vehicle frame; ``side`` is "left", "right" or "middle".

    ``centre_mm`` [x, y, z]: the wheel centre, on the axle halfway between the tyre's sidewalls; where one sidewall was
    not scanned, y is None for the reason ``centre_y_reason``, and x and z are those of the axle at the other.
    ``sd_mm``: standard uncertainties of these. ``sidewalls_y_mm``: Y of the tyre's sidewalls on the axle, with
    ``sidewalls_sd_mm``. ``radius_mm`` of the tyre away from the ground. ``toe_in_deg`` is positive where the wheel
    points inwards ahead, for a wheel in the middle to the left; ``camber_deg`` where its top leans outwards, in the
    middle to the right; ``angle_sd_deg``: standard uncertainty of both. ``share`` of its points that fit others after
    a rotation about the axle.
    """

    side: str
    centre_mm: list[float | None]
    sd_mm: list[float | None]
    centre_y_reason: str | None
    sidewalls_y_mm: Sides
    sidewalls_sd_mm: Sides
    radius_mm: float | None
    toe_in_deg: float
    camber_deg: float
    angle_sd_deg: float
    share: float


@dataclass(frozen=True)
class AxleResult:
    """An axle in the vehicle frame, of one wheel or two; each ``sd`` is the standard uncertainty of its neighbour.

    ``middle_y_mm``: Y of the midpoint between the wheel centres, or between the tyres' outer sidewalls where a centre
    is not known; ``yaw_deg``: angle about Z of the line between the wheels against Y; ``over_tyres_mm``: distance
    between the outer sidewalls; ``track_mm``: distance between the lines in which the wheel centre planes meet the
    ground, None for the reason ``track_reason``.
    """

    x_mm: float
    sd_mm: float
    wheels: int
    yaw_deg: float | None
    middle_y_mm: float | None
    middle_y_sd_mm: float | None
    over_tyres_mm: float | None
    over_tyres_sd_mm: float | None
    track_mm: float | None
    track_sd_mm: float | None
    track_reason: str | None


@dataclass(frozen=True)
class Bounds:
    """Least and greatest coordinates, (3,) mm."""

    low_mm: np.ndarray
    high_mm: np.ndarray


@dataclass(frozen=True)
class FrameResult:
    """The numbers of the stage frame.

    ``T_vehicle_control`` (4, 4) maps the control frame to the vehicle frame, mm; ``axes``: name of its
    :class:`nightbay.core.axes.Axes`; ``state``: "vehicle" (all three zero planes found), "partial" or "as scanned";
    ``zero_planes`` {"x", "y", "z": plane}; ``rotation_sd_deg`` {"x", "y", "z": standard uncertainty of the frame's
    rotation about that axis, None where it was kept as scanned}; ``wheels`` and ``axles`` from the front; ``segments``
    {name: bounds in the vehicle frame}, without those that have no point.
    """

    T_vehicle_control: np.ndarray
    axes: str
    state: str
    zero_planes: dict[str, ZeroPlane]
    rotation_sd_deg: dict[str, float | None]
    heading: Heading
    symmetry: Symmetry | None
    wheels: list[WheelResult]
    axles: list[AxleResult]
    segments: dict[str, Bounds]
