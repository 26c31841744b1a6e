"""Axles: wheels in pairs, and the zero planes that they give."""

from dataclasses import dataclass, replace

import numpy as np

from nightbay.core import rigid
from nightbay.frame import wheels
from nightbay.frame.result import AxleResult, Sides, WheelResult, ZeroPlane

PAIR_MM = 300.0  # left and right wheels of an axle stand at the same X but for steering and wear
BAND_SPACING_MM = 15.0
LEAST_PATCH_MM, MOST_PATCH_MM = 60.0, 900.0  # length of what stands on the ground within the band, for a tyre


@dataclass(frozen=True)
class Axle:
    """One axle in the level frame: ``x_mm`` of its middle with ``sd_mm``; ``wheels`` of it, by ascending Y."""

    x_mm: float
    sd_mm: float
    wheels: tuple

    @property
    def paired(self):
        return len(self.wheels) == 2

    @property
    def middle_mm(self):
        """Midpoint between the wheel centres, or between the tyres' outer faces where not both are known: (3,), NaN
        where the outer faces are not known either."""
        if all(wheel.centred for wheel in self.wheels):
            return np.mean([wheel.axle_mm for wheel in self.wheels], axis=0)
        return np.mean([wheel.places_mm[1] for wheel in self.wheels], axis=0)

    @property
    def middle_sd_mm(self):
        """Standard uncertainty of the midpoint along the axle, mm."""
        centred = all(wheel.centred for wheel in self.wheels)
        sides = [wheel.centre_sd_mm if centred else wheel.faces_sd_mm[1] for wheel in self.wheels]
        return float(np.hypot(*sides) / 2)

    @property
    def line(self):
        """Unit direction from the wheel at lower Y to the one at higher Y, level; a single wheel's own axle."""
        if self.paired:
            line = self.wheels[1].axle_mm - self.wheels[0].axle_mm
        else:
            line = self.wheels[0].axle * (-1.0 if self.wheels[0].side < 0 else 1.0)
        line = line * (1.0, 1.0, 0.0)
        return line / np.linalg.norm(line)


def find(datum, seen):
    """Look for wheels where something stands on the ground, and pair them; fills ``datum.wheels`` and ``.axles``."""
    T_level_control = datum.T_level_control
    band_mm = seen.options["tyre_band_mm"]
    low, _ = seen.clouds.box(T_level_control, (-2e4, -5e3, 2.0), (2e4, 5e3, band_mm), BAND_SPACING_MM)
    patches = wheels.contact_patches(low, band_mm)
    for patch in patches:
        (x_low, y_low), (x_high, y_high) = patch
        if not LEAST_PATCH_MM < x_high - x_low < MOST_PATCH_MM:
            continue
        y = (y_low + y_high) / 2
        side = 0 if abs(y) < wheels.WIDTH_MM / 2 else int(np.sign(y))
        y_range = {
            -1: (y_low - 80.0, y_low + wheels.WIDTH_MM),
            0: (y_low - 150.0, y_high + 150.0),
            1: (y_high - wheels.WIDTH_MM, y_high + 80.0),
        }[side]
        x_mm = (x_low + x_high) / 2
        reach = 1.1 * wheels.RADIUS_HIGH_MM
        points, normals = seen.clouds.box(
            T_level_control, (x_mm - reach, y_range[0], 5.0), (x_mm + reach, y_range[1], 2 * reach), wheels.SPACING_MM
        )
        wheel = wheels.fit(points, normals, x_mm, side, seen.threads)
        if not isinstance(wheel, str):
            wheel = judge(wheel, seen.options)
        if isinstance(wheel, str):
            print(f"no wheel at X {x_mm:.0f}, Y {y:.0f} mm of the level frame: {wheel}")
        else:
            print(
                f"wheel at {wheel.axle_mm.round(2)} mm, sd {wheel.sd_mm.round(3)}, side faces "
                f"{wheel.faces_mm.round(2)} mm from there, share {wheel.share:.2f}"
            )
            datum.wheels.append(wheel)
    datum.axles = pair(datum.wheels)


def judge(wheel, options):
    """The wheel, or the reason why it is none (str)."""
    if wheel.share < options["wheel_share"]:
        return f"only {wheel.share:.0%} of its points meet others after a turn, {options['wheel_share']:.0%} are needed"
    if wheel.sd_mm.max() > options["wheel_sd_mm"]:
        return f"its centre is uncertain by {wheel.sd_mm.max():.1f} mm, {options['wheel_sd_mm']:g} mm are allowed"
    return wheel


def pair(found):
    """Axles, ascending by X, from wheels of the level frame."""
    waiting = sorted(found, key=lambda wheel: wheel.axle_mm[0])
    axles = []
    while waiting:
        first = waiting.pop(0)
        other = [
            one
            for one in waiting
            if abs(one.axle_mm[0] - first.axle_mm[0]) < PAIR_MM and first.side != 0 and one.side == -first.side
        ]
        mates = sorted([first, *other[:1]], key=lambda wheel: wheel.axle_mm[1])
        waiting = [one for one in waiting if not any(one is mate for mate in mates)]
        sd = float(np.sqrt(sum(wheel.sd_mm[0] ** 2 for wheel in mates)) / len(mates))
        axles.append(Axle(float(np.mean([wheel.axle_mm[0] for wheel in mates])), sd, tuple(mates)))
    return axles


def set_zero_x(datum, seen, sign):
    """Zero X through the middle of the front axle, the furthest in the direction ``sign`` of the level frame's X."""
    if not datum.axles:
        datum.zero_mm = datum.zero_mm - (datum.zero_mm @ datum.along) * datum.along  # the control frame's zero
        reason = "no wheel was found" if datum.found("y") else "without zero Y the axles' direction is not known"
        reason = "a part seen from inside has no axle" if datum.inside else reason
        datum.planes["x"] = replace(datum.planes["x"], reason=reason)
        datum.notes.append(f"Zero X is kept as scanned: {reason}.")
        return
    axle = max(datum.axles, key=lambda one: sign * one.x_mm)
    datum.zero_mm = datum.zero_mm + axle.x_mm * datum.along
    posed, _ = seen.registration_sd(datum.along)
    datum.planes["x"] = ZeroPlane(
        "front axle",
        None,
        datum.along,
        float(datum.zero_mm @ datum.along),
        float(np.hypot(axle.sd_mm, posed or 0.0)),
        shape_sd_mm=axle.sd_mm,
        registration_sd_mm=posed,
        wheels=len(axle.wheels),
    )
    if axle.wheels[0].side != 0 and not axle.paired:
        datum.notes.append("Zero X stands on one wheel of the front axle; the other was not found.")


def set_zero_y(datum, sign, which):
    """Zero Y by the wheels: the upright plane through the midpoint of an axle, at right angles to it (JIS D 0030).

    Where a wheel centre is not known, the outer faces of the tyres stand for both: they count as equally wide.
    """
    paired = [axle for axle in datum.axles if axle.paired and np.isfinite(axle.middle_mm).all()]
    if not paired:
        datum.notes.append("Zero Y was to come from an axle, but no axle shows both wheels; it was left as it was.")
        return
    axle = max(paired, key=lambda one: sign * one.x_mm * (1.0 if which == "front" else -1.0))
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


def carry(datum, T_before_control):
    """Wheels and axles, found in an earlier level frame, in the present one."""
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


def wheels_in_vehicle(found, T_vehicle_level, design_grid):
    """Wheels for the JSON, from the front, then from the left; angles against the vehicle frame.

    Toe-in is positive where the wheel points inwards ahead, camber where its top leans outwards.
    """
    left = ahead = -1.0 if design_grid else 1.0
    listed = []
    for wheel in found:
        place = rigid.transform(T_vehicle_level, [wheel.axle_mm])[0]
        axle = rigid.rotate(T_vehicle_level, [wheel.axle])[0]
        side = "middle" if wheel.side == 0 else "left" if place[1] * left > 0 else "right"
        # the outer face, to which the axle points, is the left one where the axle points left
        order = ("right", "left") if axle[1] * left > 0 else ("left", "right")
        faces = dict(zip(order, _known(*rigid.transform(T_vehicle_level, wheel.places_mm)[:, 1]), strict=True))
        listed.append(
            WheelResult(
                side=side,
                centre_mm=_known(place[0], place[1] if wheel.centred else np.nan, place[2]),
                sd_mm=_known(wheel.sd_mm[0], wheel.centre_sd_mm, wheel.sd_mm[1]),
                centre_y_reason=_no_centre(faces),
                sidewalls_y_mm=Sides(**faces),
                sidewalls_sd_mm=Sides(**dict(zip(order, _known(*wheel.faces_sd_mm), strict=True))),
                radius_mm=wheel.radius_mm,
                toe_in_deg=float(np.degrees(np.arctan2(ahead * axle[0], abs(axle[1])))),
                camber_deg=float(np.degrees(np.arctan2(-axle[2], abs(axle[1])))),
                angle_sd_deg=float(np.degrees(wheel.turn_sd_rad)),
                share=wheel.share,
            )
        )
    return sorted(listed, key=lambda wheel: (wheel.centre_mm[0] * -left, wheel.side != "left"))


def _known(*values):
    """Numbers for the JSON, None for NaN."""
    return [float(value) if np.isfinite(value) else None for value in values]


def _no_centre(faces):
    """Why the Y of a wheel centre is not known, by the Y of the tyre's side faces {side: mm or None}; None if it is."""
    shown = [side for side, y in sorted(faces.items()) if y is not None]
    if len(shown) == 2:
        return None
    scanned = f"only the {shown[0]} side face" if shown else "no side face"
    return f"{scanned} of the tyre was scanned, and the wheel centre lies halfway between both"


def axles_in_vehicle(found, T_vehicle_level, design_grid):
    """Axles for the JSON, from the front."""
    listed = []
    for axle in found:
        place = rigid.transform(T_vehicle_level, [np.mean([wheel.axle_mm for wheel in axle.wheels], axis=0)])[0]
        line = rigid.rotate(T_vehicle_level, [axle.line])[0]
        line = line * np.sign(line[1])
        listed.append(
            AxleResult(
                x_mm=float(place[0]),
                sd_mm=axle.sd_mm,
                wheels=len(axle.wheels),
                yaw_deg=float(np.degrees(np.arctan2(-line[0], line[1]))) if axle.paired else None,
                **_across(axle, T_vehicle_level),
            )
        )
    return sorted(listed, key=lambda axle: axle.x_mm * (1.0 if design_grid else -1.0))


def _across(axle, T_vehicle_level):
    """What an axle measures across the vehicle, for the JSON; null where a wheel or the face that it needs is missing.

    The track is the distance of the lines in which the wheel centre planes meet the ground (ISO 612, from memory).
    """
    names = ("middle_y_mm", "middle_y_sd_mm", "over_tyres_mm", "over_tyres_sd_mm", "track_mm", "track_sd_mm")
    found = dict.fromkeys(names) | {"track_reason": None}
    if not axle.paired:
        return found | {"track_reason": "the axle shows one wheel"}
    if np.isfinite(axle.middle_mm).all():
        middle = rigid.transform(T_vehicle_level, [axle.middle_mm])[0]
        found |= {"middle_y_mm": float(middle[1]), "middle_y_sd_mm": axle.middle_sd_mm}
    outer = np.array([wheel.places_mm[1] for wheel in axle.wheels])
    if np.isfinite(outer).all():
        sd = float(np.hypot(*(wheel.faces_sd_mm[1] for wheel in axle.wheels)))
        found |= {"over_tyres_mm": float(abs(outer[1, 1] - outer[0, 1])), "over_tyres_sd_mm": sd}
    if not all(wheel.centred for wheel in axle.wheels):
        return found | {"track_reason": "the wheel centre planes are not known: they need both side faces of the tyres"}
    # the level frame has the ground at Z = 0
    traces = [wheel.axle_mm[1] + wheel.axle_mm[2] * wheel.axle[2] / wheel.axle[1] for wheel in axle.wheels]
    sd = [np.hypot(wheel.centre_sd_mm, wheel.axle_mm[2] * wheel.turn_sd_rad) for wheel in axle.wheels]
    return found | {"track_mm": float(abs(traces[1] - traces[0])), "track_sd_mm": float(np.hypot(*sd))}
