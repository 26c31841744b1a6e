"""The planes of a room as the result lists them: in the vehicle frame, numbered, each with what it is."""

from collections.abc import Sequence

import numpy as np

from nightbay.core import axes, rigid
from nightbay.frame.part_view import PartView
from nightbay.frame.result import FrameResult, Plane
from nightbay.frame.room_planes import RoomPlane

LEVEL_DEG = 15.0  # what leans by less from level is level, and the same from upright
WALL_DEG = 35.0  # walls lean and fronts slant by less
OUTER = 0.75  # floor, roof and walls lie beyond this share of the way from the room's middle to its end
LEAST = 0.08  # least share of its side of the room that a floor, roof or wall covers: a rib is less
UPRIGHT, LEVEL, SLOPING = "upright surface", "level surface", "sloping surface"


def planes(found: Sequence[RoomPlane], frame: FrameResult, view: PartView) -> list[Plane]:
    """The list of the :class:`~nightbay.frame.result.Plane`, in the order of ``found``."""
    T = frame.T_vehicle_control
    posed = rigid.transform(T, view.points_mm)
    low, high = np.percentile(posed, [0.5, 99.5], axis=0)
    return [_plane(number, plane, frame, posed[plane.rows], (low, high)) for number, plane in enumerate(found, 1)]


def _plane(
    number: int, plane: RoomPlane, frame: FrameResult, points_mm: np.ndarray, room_mm: tuple[np.ndarray, np.ndarray]
) -> Plane:
    """A plane in the vehicle frame; ``points_mm`` (n, 3) of it, ``room_mm``: the room's ends, (3,) each."""
    normal = rigid.rotate(frame.T_vehicle_control, plane.normal[None])[0]
    centre = rigid.transform(frame.T_vehicle_control, plane.centre_mm[None])[0]
    angle = float(np.degrees(np.arccos(np.clip(normal[2], -1.0, 1.0))))
    known = np.isfinite(plane.sd_mm) and np.isfinite(plane.tilt_sd_rad)
    return Plane(
        number=number,
        kind=_kind(plane.area_mm2, normal, centre, frame, room_mm),
        normal=normal,
        offset_mm=float(normal @ centre),
        centre_mm=centre,
        low_mm=np.percentile(points_mm, 0.5, axis=0),
        high_mm=np.percentile(points_mm, 99.5, axis=0),
        sd_mm=plane.sd_mm if known else None,
        tilt_sd_deg=float(np.degrees(plane.tilt_sd_rad)) if known else None,
        flatness_rms_mm=plane.rms_mm,
        flatness_range_mm=plane.range_mm,
        area_mm2=plane.area_mm2,
        angle_to_floor_deg=angle if frame.zero_planes["z"].found else None,
    )


def _kind(
    area_mm2: float,
    normal: np.ndarray,
    centre_mm: np.ndarray,
    frame: FrameResult,
    room_mm: tuple[np.ndarray, np.ndarray],
) -> str:
    """What a plane of the room is, from its area, where it lies and where it faces, both (3,) in the vehicle frame."""
    if not frame.zero_planes["z"].found:
        return "surface"
    convention = axes.axes(frame.axes)
    low, high = room_mm
    place = (centre_mm - (low + high) / 2) / np.maximum((high - low) / 2, 1.0)  # -1..1 in the room
    axis = int(np.argmax(np.abs(normal)))
    inwards = -np.sign(normal[axis]) * place[axis] > OUTER
    near = np.degrees(np.arccos(min(abs(normal[axis]), 1.0)))
    whole_mm2 = float(np.prod(np.delete(high - low, axis)))
    if inwards and near < WALL_DEG and area_mm2 > LEAST * whole_mm2:
        side = -np.sign(normal[axis])
        return {
            0: "front wall" if side == convention.forward else "rear wall",
            1: "left wall" if side == convention.left else "right wall",
            2: "roof" if side > 0 else "floor",
        }[axis]
    if abs(normal[2]) > np.cos(np.radians(LEVEL_DEG)):
        return LEVEL
    return UPRIGHT if abs(normal[2]) < np.sin(np.radians(LEVEL_DEG)) else SLOPING
