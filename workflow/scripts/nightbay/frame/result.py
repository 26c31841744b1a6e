"""Result of the stage frame: the vehicle frame, how each zero plane was found, and the wheels."""

from dataclasses import dataclass, field

import numpy as np

from nightbay.stance.result import Stance


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
    """Which end is the front: ``found_by`` "job sheet", "named fiducials", "names of segments", "shape", "open end" or
    "kept".

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
class Decision:
    """Whether the evidence decides a direction of a room, and what it was ``found_by``; ``reason`` why it does not."""

    decided: bool
    found_by: str
    reason: str | None


@dataclass(frozen=True)
class Plane:
    """A plane of a room in the vehicle frame: ``normal . x = offset_mm``, ``normal`` (3,) into the room.

    ``number`` on the page, from 1, the largest first; ``kind``: "floor", "roof", "left wall", "right wall", "front
    wall", "rear wall", or where it is none of these "level surface", "upright surface", "sloping surface".
    ``centre_mm``, ``low_mm``, ``high_mm`` (3,) of its points; standard uncertainties ``sd_mm`` of its position there
    and ``tilt_sd_deg``, None where it is too small to show them; ``flatness_rms_mm`` of its points about it and
    ``flatness_range_mm`` that holds 95 % of them, ridges within 15 mm included; ``area_mm2`` that was seen;
    ``angle_to_floor_deg``, 0..180 (90: upright), None without a floor.
    """

    number: int
    kind: str
    normal: np.ndarray
    offset_mm: float
    centre_mm: np.ndarray
    low_mm: np.ndarray
    high_mm: np.ndarray
    sd_mm: float | None
    tilt_sd_deg: float | None
    flatness_rms_mm: float
    flatness_range_mm: float
    area_mm2: float
    angle_to_floor_deg: float | None


@dataclass(frozen=True)
class Room:
    """What was found of an interior: its ``planes``, the largest first; how it was decided which way is ``up`` and
    which way its length runs, ``along``."""

    planes: list[Plane]
    up: Decision
    along: Decision


@dataclass(frozen=True)
class Difference:
    """How a way of finding a zero plane differs from the plane in use: the plane's position at the part's middle, or
    its rotation about an axis of the vehicle frame.

    ``quantity``: "position", "rotation about X", "rotation about Y" or "rotation about Z"; ``value`` with its standard
    uncertainty ``sd``, in ``unit`` "mm" or "deg"; ``allowed``: what it may be on a sound vehicle, None where any value
    is sound; ``significant``: more than that by more than twice the uncertainty.
    """

    quantity: str
    value: float
    sd: float
    unit: str
    allowed: float | None
    significant: bool


@dataclass(frozen=True)
class Way:
    """A way in which a zero plane ("x", "y" or "z") was found, whether it is ``used``, and what it rests on.

    ``count`` of what is ``counted`` ("segments", "wheels", "points", "fiducials"); ``segments`` that show it;
    ``sd_mm``, standard uncertainty of its position; ``differences`` from the plane in use, none of a way in use.
    """

    plane: str
    found_by: str
    used: bool
    count: int
    counted: str
    segments: list[str]
    sd_mm: float
    differences: list[Difference]


@dataclass(frozen=True)
class FiducialResult:
    """A fiducial of the job sheet: measured minus nominal coordinates, {"x", "y", "z": mm}, with the standard
    deviations of that before the fit; None where no nominal coordinate is given."""

    name: str
    residual_mm: dict[str, float | None]
    sd_mm: dict[str, float | None]


@dataclass(frozen=True)
class Ground:
    """The plane on which the vehicle stands, ``normal . x = offset_mm`` in the vehicle frame, ``normal`` (3,) up, with
    the standard uncertainty ``sd_mm`` of its height."""

    found_by: str
    normal: np.ndarray
    offset_mm: float
    sd_mm: float

    def below(self, point_mm: np.ndarray) -> float:
        """Z of the plane vertically below a point, (3,) mm."""
        return float((self.offset_mm - self.normal[:2] @ point_mm[:2]) / self.normal[2])


@dataclass(frozen=True)
class GroundLeftOut:
    """What clean took for the ground of a ``segment`` and is not used, because it can't be the part's.

    ``below_share`` of the part's points that lie below it; it contradicts the grounds ``against`` which it was compared
    with, names of segments: those in use, or where none is, the others. ``tilt_deg`` and ``apart_mm``: largest
    difference from these in direction, and in height under the part (median). ``refused``: too much of
    the part lies below it, whatever the other segments show.
    """

    segment: str
    below_share: float
    tilt_deg: float
    apart_mm: float
    against: list[str]
    refused: bool


@dataclass(frozen=True)
class FrameResult:
    """The numbers of the stage frame.

    ``T_vehicle_control`` (4, 4) maps the control frame to the vehicle frame, mm; ``axes``: name of its
    :class:`nightbay.core.axes.Axes`; ``state``: "vehicle" (all three zero planes found), "partial" or "as scanned";
    ``zero_planes`` {"x", "y", "z": plane}; ``rotation_sd_deg`` {"x", "y", "z": standard uncertainty of the frame's
    rotation about that axis, None where it was kept as scanned}; ``wheels`` and ``axles`` from the front; ``segments``
    {name: bounds in the vehicle frame}, without those that have no point; ``room`` of an interior, else None. Of an
    exterior: all ``ways`` in which a zero plane was found, with their differences; ``fiducials`` of the job sheet;
    ``ground`` on which it stands, None where it is not known; ``grounds_left_out`` of segments that contradict it.
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
    room: Room | None = None
    stance: Stance | None = None
    ways: list[Way] = field(default_factory=list)
    fiducials: list[FiducialResult] = field(default_factory=list)
    ground: Ground | None = None
    grounds_left_out: list[GroundLeftOut] = field(default_factory=list)

    def ground_z_mm(self, point_mm: np.ndarray) -> float | None:
        """Z of the ground vertically below a point, (3,) mm; None where it is not known. With zero Z by fiducials, the
        ground lies where the design grid has it."""
        if self.ground is not None:
            return self.ground.below(point_mm)
        return None if self.zero_planes["z"].found_by in ("kept", "named fiducials") else 0.0
