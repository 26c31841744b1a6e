"""Axles: wheels in pairs, and the zero planes that they give."""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np

from nightbay.core import rigid
from nightbay.core.axes import Axes
from nightbay.core.errors import NotFound
from nightbay.frame import wheels
from nightbay.frame.datum import Datum
from nightbay.frame.part_view import PartView
from nightbay.frame.result import AxleResult, Sides, WheelResult, ZeroPlane
from nightbay.frame.wheels import Axle, Wheel

PAIR_MM = 300.0  # left and right wheels of an axle stand at the same X but for steering and wear
BAND_SPACING_MM = 15.0  # points near the ground are thinned to this, half a cell of the plan view
LEAST_PATCH_MM, MOST_PATCH_MM = 60.0, 900.0  # length of what stands on the ground within the band, for a tyre
# Largest distance from the level frame's zero, which lies in the part, at which tyres are looked for: road vehicles
# are at most 18.75 m long and 2.55 m wide (Council Directive 96/53/EC, from memory).
MOST_X_MM, MOST_Y_MM = 20_000.0, 5_000.0
LEAST_Z_MM = 2.0  # lower points may belong to the ground (common practice, no source)
# A wheel's box starts a little higher: the fit leaves out the contact patch anyway.
WHEEL_Z_MM = 5.0
# How far a wheel extends sideways beyond its contact patch: to the outer side of a vehicle, and to either side of a
# wheel in the middle, with its axle's ends (common practice, no source).
OUTER_MM, MIDDLE_MM = 80.0, 150.0
MARGIN = 1.1  # times the largest radius are looked at, so that a tyre off the middle of its patch is whole


class _WheelBox(NamedTuple):
    """Box in which a wheel is looked for, level frame: ``x_mm``, ``y_mm`` of its contact patch, its ``side`` as in
    :class:`~nightbay.frame.wheels.Wheel`, and the bounds (3,) of the box."""

    x_mm: float
    y_mm: float
    side: int
    low_mm: np.ndarray
    high_mm: np.ndarray


def find(datum: Datum, view: PartView) -> None:
    """Look for wheels where something stands on the ground, and pair them; fills ``datum.wheels`` and ``.axles``."""
    T_level_control = datum.T_level_control
    band_mm = view.options.tyre_band_mm
    low_mm, high_mm = np.array([-MOST_X_MM, -MOST_Y_MM, LEAST_Z_MM]), np.array([MOST_X_MM, MOST_Y_MM, band_mm])
    band, _ = view.clouds.box(T_level_control, low_mm, high_mm, BAND_SPACING_MM)
    for patch in wheels.contact_patches(band, band_mm):
        if not LEAST_PATCH_MM < patch[1, 0] - patch[0, 0] < MOST_PATCH_MM:
            continue
        box = _wheel_box(patch)
        points, normals = view.clouds.box(T_level_control, box.low_mm, box.high_mm, wheels.SPACING_MM)
        wheel = wheels.fit(points, normals, box.x_mm, box.side, view.threads)
        if not isinstance(wheel, NotFound):
            wheel = judge(wheel, view.options)
        if isinstance(wheel, NotFound):
            print(f"no wheel at X {box.x_mm:.0f}, Y {box.y_mm:.0f} mm of the level frame: {wheel.reason}")
        else:
            print(
                f"wheel at {wheel.axle_mm.round(2)} mm, sd {wheel.sd_mm.round(3)}, side faces "
                f"{wheel.faces_mm.round(2)} mm from there, share {wheel.share:.2f}"
            )
            datum.wheels.append(wheel)
    datum.axles = pair(datum.wheels)


def _wheel_box(patch: np.ndarray) -> _WheelBox:
    """The box round the wheel of a contact patch (2, 2), low and high of X and Y."""
    (x_low, y_low), (x_high, y_high) = patch
    y_mm = (y_low + y_high) / 2
    side = 0 if abs(y_mm) < wheels.WIDTH_MM / 2 else int(np.sign(y_mm))
    near, far = {
        -1: (y_low - OUTER_MM, y_low + wheels.WIDTH_MM),
        0: (y_low - MIDDLE_MM, y_high + MIDDLE_MM),
        1: (y_high - wheels.WIDTH_MM, y_high + OUTER_MM),
    }[side]
    x_mm = (x_low + x_high) / 2
    reach = MARGIN * wheels.RADIUS_HIGH_MM
    low_mm, high_mm = np.array([x_mm - reach, near, WHEEL_Z_MM]), np.array([x_mm + reach, far, 2 * reach])
    return _WheelBox(x_mm, y_mm, side, low_mm, high_mm)


def judge(wheel: Wheel, options: Any) -> Wheel | NotFound:
    """The wheel, or the reason why it fails the limits in ``options``, the settings of frame."""
    if wheel.share < options.wheel_share:
        return NotFound(
            f"only {wheel.share:.0%} of its points fit others after a rotation about the axle, "
            f"{options.wheel_share:.0%} are needed"
        )
    if wheel.sd_mm.max() > options.wheel_sd_mm:
        return NotFound(
            f"its centre is uncertain by {wheel.sd_mm.max():.1f} mm, {options.wheel_sd_mm:g} mm are allowed"
        )
    return wheel


def pair(found: Iterable[Wheel]) -> list[Axle]:
    """Axles, ascending by X, from wheels of the level frame."""
    waiting = sorted(found, key=lambda wheel: wheel.axle_mm[0])
    axles = []
    while waiting:
        first = waiting.pop(0)
        other = [
            wheel
            for wheel in waiting
            if abs(wheel.axle_mm[0] - first.axle_mm[0]) < PAIR_MM and first.side != 0 and wheel.side == -first.side
        ]
        mates = sorted([first, *other[:1]], key=lambda wheel: wheel.axle_mm[1])
        waiting = [wheel for wheel in waiting if not any(wheel is mate for mate in mates)]
        sd = float(np.sqrt(sum(wheel.sd_mm[0] ** 2 for wheel in mates)) / len(mates))
        axles.append(Axle(float(np.mean([wheel.axle_mm[0] for wheel in mates])), sd, tuple(mates)))
    return axles


def set_zero_x(datum: Datum, view: PartView, sign: float) -> None:
    """Zero X through the middle of the front axle, the furthest in the direction ``sign`` of the level frame's X."""
    if not datum.axles:
        datum.zero_mm = datum.zero_mm - (datum.zero_mm @ datum.along) * datum.along  # the control frame's zero
        reason = "no wheel was found" if datum.found("y") else "without zero Y the axles' direction is not known"
        reason = "an interior has no axle" if datum.inside else reason
        datum.planes["x"] = replace(datum.planes["x"], reason=reason)
        datum.notes.append(f"Zero X is kept as scanned: {reason}.")
        return
    axle = max(datum.axles, key=lambda axle: sign * axle.x_mm)
    datum.zero_mm = datum.zero_mm + axle.x_mm * datum.along
    posed, _ = view.registration_sd(datum.along)
    only = len(datum.axles) == 1
    datum.planes["x"] = ZeroPlane(
        "only axle" if only else "front axle",
        None,
        datum.along,
        float(datum.zero_mm @ datum.along),
        float(np.hypot(axle.sd_mm, posed or 0.0)),
        shape_sd_mm=axle.sd_mm,
        registration_sd_mm=posed,
        wheels=len(axle.wheels),
    )
    if only:
        datum.notes.append(
            "Zero X lies in the only axle that was found; the scan does not show whether the vehicle has another one "
            "ahead of it."
        )
    if axle.wheels[0].side != 0 and not axle.paired:
        datum.notes.append("Zero X comes from one wheel of the front axle: the other was not found.")


def set_zero_y(datum: Datum, sign: float, which: str) -> None:
    """Zero Y by the wheels: the upright plane through the midpoint of an axle, at right angles to it (JIS D 0030).

    ``which``: "front" or "rear" axle; ``sign`` of the front along the level frame's X. Where a wheel centre is not
    known, the midpoint of the tyres' outer faces is taken, as if both tyres were equally wide.
    """
    paired = [axle for axle in datum.axles if axle.paired and np.isfinite(axle.middle_mm).all()]
    if not paired:
        datum.notes.append(
            "Zero Y could not be taken from an axle, as frame.zero_y asks: no axle shows both wheels. "
            "It was left unchanged."
        )
        return
    axle = max(paired, key=lambda axle: sign * axle.x_mm * (1.0 if which == "front" else -1.0))
    T_control_level = rigid.invert(datum.T_level_control)
    across = rigid.rotate(T_control_level, [axle.line])[0]
    middle = rigid.transform(T_control_level, [axle.middle_mm])[0]
    datum.across, datum.along = across, np.cross(across, datum.up)
    datum.zero_mm = datum.zero_mm + ((middle - datum.zero_mm) @ across) * across
    low, high = axle.wheels
    datum.turn_sd_rad["z"] = float(np.hypot(low.sd_mm[0], high.sd_mm[0]) / (high.axle_mm[1] - low.axle_mm[1]))
    datum.planes["y"] = ZeroPlane(
        f"midpoint of the {which} axle", None, across, float(across @ middle), axle.middle_sd_mm
    )


def carry(datum: Datum, T_before_control: np.ndarray) -> None:
    """Transform wheels and axles from an earlier level frame, given by its pose (4, 4), into the current one."""
    T_now_before = datum.T_level_control @ rigid.invert(T_before_control)
    datum.wheels = [
        replace(
            wheel,
            axle_mm=rigid.transform(T_now_before, [wheel.axle_mm])[0],
            axle=rigid.rotate(T_now_before, [wheel.axle])[0],
        )
        for wheel in datum.wheels
    ]
    datum.axles = pair(datum.wheels)


def wheels_in_vehicle(found: Iterable[Wheel], T_vehicle_level: np.ndarray, axes: Axes) -> list[WheelResult]:
    """Wheels for the JSON, from the front, then from the left; angles against the vehicle frame.

    Toe-in is positive where the front of the wheel points inwards, camber where its top leans outwards.
    """
    listed = []
    for wheel in found:
        at_mm = rigid.transform(T_vehicle_level, wheel.axle_mm[None])[0]
        listed.append((-axes.forward * float(at_mm[0]), _wheel_in_vehicle(wheel, at_mm, T_vehicle_level, axes)))
    return [wheel for _, wheel in sorted(listed, key=lambda item: (item[0], item[1].side != "left"))]


def _wheel_in_vehicle(wheel: Wheel, at_mm: np.ndarray, T_vehicle_level: np.ndarray, axes: Axes) -> WheelResult:
    """A wheel for the JSON; ``at_mm`` (3,): its ``axle_mm`` in the vehicle frame."""
    axle = rigid.rotate(T_vehicle_level, wheel.axle[None])[0]
    side = "middle" if wheel.side == 0 else "left" if at_mm[1] * axes.left > 0 else "right"
    # the outer face, to which the axle points, is the left one where the axle points left
    order = ("right", "left") if axle[1] * axes.left > 0 else ("left", "right")
    faces = dict(zip(order, _known(*rigid.transform(T_vehicle_level, wheel.places_mm)[:, 1]), strict=True))
    return WheelResult(
        side=side,
        centre_mm=_known(at_mm[0], at_mm[1] if wheel.centred else np.nan, at_mm[2]),
        sd_mm=_known(wheel.sd_mm[0], wheel.centre_sd_mm, wheel.sd_mm[1]),
        centre_y_reason=_no_centre(faces),
        sidewalls_y_mm=Sides(**faces),
        sidewalls_sd_mm=Sides(**dict(zip(order, _known(*wheel.faces_sd_mm), strict=True))),
        radius_mm=wheel.radius_mm,
        toe_in_deg=float(np.degrees(np.arctan2(axes.forward * axle[0], abs(axle[1])))),
        camber_deg=float(np.degrees(np.arctan2(-axle[2], abs(axle[1])))),
        angle_sd_deg=float(np.degrees(wheel.turn_sd_rad)),
        share=wheel.share,
    )


def _known(*values: float) -> list[float | None]:
    """Numbers for the JSON, None for NaN."""
    return [float(value) if np.isfinite(value) else None for value in values]


def _no_centre(faces: Mapping[str, float | None]) -> str | None:
    """Why the Y of a wheel centre is not known, by the Y of the tyre's side faces {side: mm or None}; None if it is."""
    shown = [side for side, y in sorted(faces.items()) if y is not None]
    if len(shown) == 2:
        return None
    scanned = f"only the {shown[0]} side face" if shown else "no side face"
    return f"{scanned} of the tyre was scanned, and the wheel centre lies halfway between both"


def axles_in_vehicle(found: Iterable[Axle], T_vehicle_level: np.ndarray, axes: Axes) -> list[AxleResult]:
    """Axles for the JSON, from the front."""
    listed = [_axle_in_vehicle(axle, T_vehicle_level) for axle in found]
    return sorted(listed, key=lambda axle: -axes.forward * axle.x_mm)


def _axle_in_vehicle(axle: Axle, T_vehicle_level: np.ndarray) -> AxleResult:
    """An axle for the JSON; None where a wheel or the face that a value needs is missing."""
    middle = np.mean([wheel.axle_mm for wheel in axle.wheels], axis=0)
    line = rigid.rotate(T_vehicle_level, axle.line[None])[0]
    line = line * np.sign(line[1])
    middle_y_mm, middle_y_sd_mm = _middle_y(axle, T_vehicle_level)
    over_tyres_mm, over_tyres_sd_mm = _over_tyres(axle)
    track = _track(axle)
    track_mm, track_sd_mm = (None, None) if isinstance(track, NotFound) else track
    return AxleResult(
        x_mm=float(rigid.transform(T_vehicle_level, middle[None])[0][0]),
        sd_mm=axle.sd_mm,
        wheels=len(axle.wheels),
        yaw_deg=float(np.degrees(np.arctan2(-line[0], line[1]))) if axle.paired else None,
        middle_y_mm=middle_y_mm,
        middle_y_sd_mm=middle_y_sd_mm,
        over_tyres_mm=over_tyres_mm,
        over_tyres_sd_mm=over_tyres_sd_mm,
        track_mm=track_mm,
        track_sd_mm=track_sd_mm,
        track_reason=track.reason if isinstance(track, NotFound) else None,
    )


def _middle_y(axle: Axle, T_vehicle_level: np.ndarray) -> tuple[float, float] | tuple[None, None]:
    """Y of an axle's midpoint in the vehicle frame, with its standard uncertainty."""
    if not axle.paired or not np.isfinite(axle.middle_mm).all():
        return None, None
    return float(rigid.transform(T_vehicle_level, axle.middle_mm[None])[0][1]), axle.middle_sd_mm


def _over_tyres(axle: Axle) -> tuple[float, float] | tuple[None, None]:
    """Distance between the tyres' outer faces and its standard uncertainty, mm."""
    outer = np.array([wheel.places_mm[1] for wheel in axle.wheels])
    if not axle.paired or not np.isfinite(outer).all():
        return None, None
    sd = float(np.hypot(*(wheel.faces_sd_mm[1] for wheel in axle.wheels)))
    return float(abs(outer[1, 1] - outer[0, 1])), sd


def _track(axle: Axle) -> tuple[float, float] | NotFound:
    """Distance between the lines in which the wheel centre planes meet the ground (ISO 612, from memory), and its
    standard uncertainty, mm."""
    if not axle.paired:
        return NotFound("the axle shows one wheel")
    if not all(wheel.centred for wheel in axle.wheels):
        return NotFound("the wheel centre planes are not known: they need both side faces of the tyres")
    # the level frame has the ground at Z = 0
    traces = [wheel.axle_mm[1] + wheel.axle_mm[2] * wheel.axle[2] / wheel.axle[1] for wheel in axle.wheels]
    sd = [np.hypot(wheel.centre_sd_mm, wheel.axle_mm[2] * wheel.turn_sd_rad) for wheel in axle.wheels]
    return float(abs(traces[1] - traces[0])), float(np.hypot(*sd))
