"""Axles: wheels in pairs, and the zero planes that they give."""

from dataclasses import dataclass, replace

import numpy as np

from nightbay import rigid, wheels

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
        """Midpoint of the line between the wheels' outer faces, (3,); of a single wheel its centre."""
        return np.mean([wheel.centre_mm for wheel in self.wheels], axis=0)

    @property
    def line(self):
        """Unit direction from the wheel at lower Y to the one at higher Y, level; a single wheel's own axle."""
        if self.paired:
            line = self.wheels[1].centre_mm - self.wheels[0].centre_mm
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
            print(f"wheel at {wheel.centre_mm.round(2)} mm, sd {wheel.sd_mm.round(3)}, share {wheel.share:.2f}")
            datum.wheels.append(wheel)
    datum.axles = pair(datum.wheels)


def judge(wheel, options):
    """The wheel, or the reason why it is none (str)."""
    if wheel.share < options["wheel_share"]:
        return f"only {wheel.share:.0%} of its points meet others after a turn, {options['wheel_share']:.0%} are needed"
    if max(wheel.sd_mm[0], wheel.sd_mm[2]) > options["wheel_sd_mm"]:
        return (
            f"its centre is uncertain by {max(wheel.sd_mm[0], wheel.sd_mm[2]):.1f} mm, "
            f"{options['wheel_sd_mm']:g} mm are allowed"
        )
    return wheel


def pair(found):
    """Axles, ascending by X, from wheels of the level frame."""
    waiting = sorted(found, key=lambda wheel: wheel.centre_mm[0])
    axles = []
    while waiting:
        first = waiting.pop(0)
        other = [
            one
            for one in waiting
            if abs(one.centre_mm[0] - first.centre_mm[0]) < PAIR_MM and first.side != 0 and one.side == -first.side
        ]
        mates = sorted([first, *other[:1]], key=lambda wheel: wheel.centre_mm[1])
        waiting = [one for one in waiting if not any(one is mate for mate in mates)]
        sd = float(np.sqrt(sum(wheel.sd_mm[0] ** 2 for wheel in mates)) / len(mates))
        axles.append(Axle(float(np.mean([wheel.centre_mm[0] for wheel in mates])), sd, tuple(mates)))
    return axles


def set_zero_x(datum, seen, sign):
    """Zero X through the middle of the front axle, the furthest in the direction ``sign`` of the level frame's X."""
    if not datum.axles:
        datum.zero_mm = datum.zero_mm - (datum.zero_mm @ datum.along) * datum.along  # the control frame's zero
        reason = "no wheel was found" if datum.found("y") else "without zero Y the axles' direction is not known"
        reason = "a part seen from inside has no axle" if datum.inside else reason
        datum.planes["x"]["reason"] = reason
        datum.notes.append(f"Zero X is kept as scanned: {reason}.")
        return
    axle = max(datum.axles, key=lambda one: sign * one.x_mm)
    datum.zero_mm = datum.zero_mm + axle.x_mm * datum.along
    posed, _ = seen.registration_sd(datum.along)
    datum.planes["x"] = {
        "found_by": "front axle",
        "normal": datum.along.tolist(),
        "offset_mm": float(datum.zero_mm @ datum.along),
        "sd_mm": float(np.hypot(axle.sd_mm, posed or 0.0)),
        "reason": None,
        "wheels": len(axle.wheels),
        "shape_sd_mm": axle.sd_mm,
        "registration_sd_mm": posed,
    }
    if axle.wheels[0].side != 0 and not axle.paired:
        datum.notes.append("Zero X stands on one wheel of the front axle; the other was not found.")


def set_zero_y(datum, sign, which):
    """Zero Y by the wheels: the upright plane through the midpoint of an axle, at right angles to it (JIS D 0030).

    The outer faces of the tyres stand for the wheel centre planes: both wheels count as equally wide.
    """
    paired = [axle for axle in datum.axles if axle.paired]
    if not paired:
        datum.notes.append("Zero Y was to come from an axle, but no axle shows both wheels; it was left as it was.")
        return
    axle = max(paired, key=lambda one: sign * one.x_mm * (1.0 if which == "front" else -1.0))
    T_control_level = rigid.invert(datum.T_level_control)
    across = rigid.rotate(T_control_level, [axle.line])[0]
    middle = rigid.transform(T_control_level, [axle.middle_mm])[0]
    sd = [wheel.sd_mm for wheel in axle.wheels]
    datum.across, datum.along = across, np.cross(across, datum.up)
    datum.zero_mm = datum.zero_mm + ((middle - datum.zero_mm) @ across) * across
    datum.turn_sd_rad["z"] = float(
        np.hypot(sd[0][0], sd[1][0]) / (axle.wheels[1].centre_mm[1] - axle.wheels[0].centre_mm[1])
    )
    datum.planes["y"] = {
        "found_by": f"midpoint of the {which} axle",
        "normal": across.tolist(),
        "offset_mm": float(across @ middle),
        "sd_mm": float(np.hypot(sd[0][1], sd[1][1]) / 2),
        "reason": None,
    }


def carry(datum, T_before_control):
    """Wheels and axles, found in an earlier level frame, in the present one."""
    T_now_before = datum.T_level_control @ rigid.invert(T_before_control)
    datum.wheels = [
        replace(
            wheel,
            centre_mm=rigid.transform(T_now_before, [wheel.centre_mm])[0],
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
        centre = rigid.transform(T_vehicle_level, [wheel.centre_mm])[0]
        axle = rigid.rotate(T_vehicle_level, [wheel.axle])[0]
        side = "middle" if wheel.side == 0 else "left" if centre[1] * left > 0 else "right"
        listed.append(
            {
                "side": side,
                "centre_mm": centre.tolist(),
                "sd_mm": wheel.sd_mm.tolist(),
                "radius_mm": wheel.radius_mm,
                "toe_in_deg": float(np.degrees(np.arctan2(ahead * axle[0], abs(axle[1])))),
                "camber_deg": float(np.degrees(np.arctan2(-axle[2], abs(axle[1])))),
                "turn_sd_deg": float(np.degrees(wheel.turn_sd_rad)),
                "share": wheel.share,
            }
        )
    return sorted(listed, key=lambda one: (one["centre_mm"][0] * -left, one["centre_mm"][1] * -left))


def axles_in_vehicle(found, T_vehicle_level, design_grid):
    """Axles for the JSON, from the front."""
    listed = []
    for axle in found:
        middle = rigid.transform(T_vehicle_level, [axle.middle_mm])[0]
        line = rigid.rotate(T_vehicle_level, [axle.line])[0]
        line = line * np.sign(line[1])
        sides = [wheel.sd_mm[1] for wheel in axle.wheels]
        listed.append(
            {
                "x_mm": float(middle[0]),
                "sd_mm": axle.sd_mm,
                "wheels": len(axle.wheels),
                "middle_y_mm": float(middle[1]) if axle.paired else None,
                "middle_y_sd_mm": float(np.hypot(*sides) / 2) if axle.paired else None,
                "turn_deg": float(np.degrees(np.arctan2(-line[0], line[1]))) if axle.paired else None,
                "over_tyres_mm": float(abs(axle.wheels[1].centre_mm[1] - axle.wheels[0].centre_mm[1]))
                if axle.paired
                else None,
                "over_tyres_sd_mm": float(np.hypot(*sides)) if axle.paired else None,
            }
        )
    return sorted(listed, key=lambda one: one["x_mm"] * (1.0 if design_grid else -1.0))
