"""Each way in which a zero plane can be found, beside the one in use: what it rests on, and how far it differs."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from nightbay.core import rigid
from nightbay.frame import tyre_contact
from nightbay.frame.datum import Datum
from nightbay.frame.ground_plane import GroundPlane
from nightbay.frame.part_view import PartView
from nightbay.frame.result import Difference, Way
from nightbay.frame.wheels import Axle

K = 2.0  # coverage factor of the test of a difference: about 95 %
DEGREES = {"x": "rotation about X", "y": "rotation about Y", "z": "rotation about Z"}
LEAST_TYRES = 3  # that define a plane


@dataclass(frozen=True)
class Found:
    """A zero plane as one way gives it, control frame: ``point_mm`` (3,) of it and its unit ``normal`` (3,), with
    standard uncertainties ``sd_mm`` of its position and ``turn_sd_rad`` {axis of the vehicle frame: rad} about the axes
    about which it gives the direction; the rest as in :class:`~nightbay.frame.result.Way`."""

    plane: str
    found_by: str
    point_mm: np.ndarray
    normal: np.ndarray
    sd_mm: float
    turn_sd_rad: dict[str, float]
    count: int
    counted: str
    segments: list[str]


class Frame(NamedTuple):
    """The frame in use: ``T_vehicle_control`` (4, 4); ``centre_mm`` (3,) of the part in the control frame; how each
    zero plane was found, ``found_by`` {axis: words}, None where kept; its ``sd_mm`` {axis: mm} and ``turn_sd_rad``
    {axis: rad}, 0 where not known."""

    T_vehicle_control: np.ndarray
    centre_mm: np.ndarray
    found_by: dict[str, str | None]
    sd_mm: dict[str, float]
    turn_sd_rad: dict[str, float]


def of_ground(ground: GroundPlane) -> Found:
    """Zero Z by a plane on which the vehicle stands."""
    tilt = float(ground.tilt_sd_rad)
    return Found(
        "z",
        ground.found_by,
        ground.normal * ground.offset_mm,
        ground.normal,
        float(ground.sd_mm),
        {"x": tilt, "y": tilt},
        len(ground.segments),
        "segments",
        list(ground.segments),
    )


def of_tyres(datum: Datum, view: PartView) -> list[Found]:
    """Zero Z by the tyres' lowest points, where wheels on both sides of two axles were found on the ground."""
    if len(datum.wheels) < LEAST_TYRES or len(datum.axles) < 2 or not any(axle.paired for axle in datum.axles):
        return []
    plane = tyre_contact.of_wheels(datum, view)
    return [
        Found(
            "z",
            "tyre contact",
            plane.normal * plane.offset_mm,
            plane.normal,
            float(plane.sd_mm),
            {"x": float(plane.tilt_sd_rad), "y": float(plane.tilt_sd_rad)},
            len(datum.wheels),
            "wheels",
            list(plane.segments),
        )
    ]


def of_mirror(datum: Datum, view: PartView) -> list[Found]:
    """Zero Y by the body's symmetry plane, made upright."""
    mirror = datum.mirror
    if mirror is None:
        return []
    middle = mirror.centre_mm - (mirror.normal @ mirror.centre_mm - mirror.offset_mm) * mirror.normal
    across = mirror.normal - (mirror.normal @ datum.up) * datum.up
    return [
        Found(
            "y",
            "symmetry plane of the part",
            middle,
            across / np.linalg.norm(across),
            mirror.sd_mm,
            {"z": mirror.turn_sd_rad(datum.up)},
            round(mirror.share * len(view.points_mm)),
            "points",
            list(view.names),
        )
    ]


def of_axles(datum: Datum, sign: float) -> list[Found]:
    """Zero Y by the midpoint of each axle (JIS D 0030), and zero X by the front one; ``sign`` of the front along the
    level frame's X."""
    T_control_level = rigid.invert(datum.T_level_control)
    ordered = sorted(datum.axles, key=lambda axle: -sign * axle.x_mm)
    found = [_zero_x(ordered, T_control_level)] if ordered else []
    for number, axle in enumerate(ordered):
        if axle.paired and np.isfinite(axle.middle_mm).all():
            found.append(_midpoint(axle, midpoint_name(number, len(ordered)), T_control_level))
    return found


def midpoint_name(number: int, count: int) -> str:
    """The way by an axle's midpoint in words; its ``number`` from the front, from 0, of ``count``."""
    if count == 1:
        return "midpoint of the only axle"
    return {0: "midpoint of the front axle", count - 1: "midpoint of the rear axle"}.get(
        number, "midpoint of an axle between"
    )


def _zero_x(ordered: Sequence[Axle], T_control_level: np.ndarray) -> Found:
    axle = ordered[0]
    middle = np.mean([wheel.axle_mm for wheel in axle.wheels], axis=0)
    return Found(
        "x",
        "only axle" if len(ordered) == 1 else "front axle",
        rigid.transform(T_control_level, middle[None])[0],
        rigid.rotate(T_control_level, np.array([[1.0, 0.0, 0.0]]))[0],
        axle.sd_mm,
        {},
        len(axle.wheels),
        "wheels",
        [],
    )


def _midpoint(axle: Axle, name: str, T_control_level: np.ndarray) -> Found:
    low, high = axle.wheels
    turn = float(np.hypot(low.sd_mm[0], high.sd_mm[0]) / (high.axle_mm[1] - low.axle_mm[1]))
    return Found(
        "y",
        name,
        rigid.transform(T_control_level, axle.middle_mm[None])[0],
        rigid.rotate(T_control_level, axle.line[None])[0],
        float(axle.middle_sd_mm),
        {"z": turn},
        2,
        "wheels",
        [],
    )


def compare(found: Iterable[Found], frame: Frame, options: Any) -> list[Way]:
    """The ways for the JSON, those in use first within a plane; ``options``: settings of frame."""
    listed = [_way(way, frame, options) for way in found]
    return sorted(listed, key=lambda way: (way.plane, not way.used))


def _way(way: Found, frame: Frame, options: Any) -> Way:
    used = frame.found_by[way.plane] == way.found_by
    differences = [] if used or frame.found_by[way.plane] is None else list(_differences(way, frame, options))
    return Way(way.plane, way.found_by, used, way.count, way.counted, way.segments, way.sd_mm, differences)


def _differences(way: Found, frame: Frame, options: Any) -> Iterable[Difference]:
    """Position at the part's middle and rotations of a way against the zero plane in use."""
    at = "xyz".index(way.plane)
    point = rigid.transform(frame.T_vehicle_control, way.point_mm[None])[0]
    normal = rigid.rotate(frame.T_vehicle_control, way.normal[None])[0]
    normal = normal * np.sign(normal[at])
    if way.turn_sd_rad and way.counted != "wheels":
        # a plane that gives its direction is compared at the middle; an axle's midpoint where the axle is
        middle = rigid.transform(frame.T_vehicle_control, frame.centre_mm[None])[0]
        others = [axis for axis in range(3) if axis != at]
        value = float((normal @ point - normal[others] @ middle[others]) / normal[at])
    else:
        value = float(point[at])
    # a design grid has its zero wherever the drawing has it
    by_drawing = frame.found_by[way.plane] == "named fiducials" and way.plane != "y"
    allowed = None if by_drawing else options.difference_mm
    yield _difference("position", value, float(np.hypot(way.sd_mm, frame.sd_mm[way.plane])), "mm", allowed)
    for axis, sd in way.turn_sd_rad.items():
        about = "xyz".index(axis)
        # a small rotation w turns the plane's own axis e to e + w x e
        turn = float(np.degrees(np.cross(np.eye(3)[at], normal)[about]))
        total = float(np.degrees(np.hypot(sd, frame.turn_sd_rad[axis])))
        yield _difference(DEGREES[axis], turn, total, "deg", options.difference_deg)


def _difference(quantity: str, value: float, sd: float, unit: str, allowed: float | None) -> Difference:
    significant = allowed is not None and abs(value) - allowed > K * sd
    return Difference(quantity, value, sd, unit, allowed, significant)
