"""Levels a room with its floor and squares it to its side walls, where up and along are chosen."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from nightbay.frame import datum, room_evidence, room_middle
from nightbay.frame.ground_plane import GroundPlane
from nightbay.frame.part_view import PartView
from nightbay.frame.result import Decision, ZeroPlane
from nightbay.frame.room_evidence import Box
from nightbay.frame.room_planes import RoomPlane

WALL_DEG = 20.0  # side walls lean by less
FLOOR_HEIGHT = 0.35  # the floor lies in this lower share of the room
SIDE = 0.6  # a side wall lies beyond this share of the half width


@dataclass(frozen=True)
class Choice:
    """A direction (3,), unit, of the control frame, and how it was decided."""

    direction: np.ndarray
    decision: Decision


def ground(plane: RoomPlane, view: PartView, found_by: str) -> GroundPlane:
    """A room's floor as the ground that a datum is levelled with; ``found_by`` in words."""
    return GroundPlane(
        plane.normal,
        plane.offset_mm,
        plane.sd_mm,
        plane.tilt_sd_rad,
        None,
        plane.rms_mm,
        plane.centre_mm,
        list(view.names),
        found_by,
    )


def square(view: PartView, room: Box, planes: Sequence[RoomPlane], up: Choice, along: Choice) -> datum.Datum:
    """The datum of a room: level with its floor, square to its side walls, in the middle between them."""
    height = room.points @ (room.axes @ up.direction)
    low, high = np.percentile(height, [0.5, 99.5])
    floors = [
        plane
        for plane in planes
        if plane.normal @ up.direction > np.cos(np.radians(room_evidence.SQUARE_DEG))
        and plane.centre_mm @ up.direction < low + FLOOR_HEIGHT * (high - low)
    ]
    if not floors:
        found = datum.as_scanned("no flat floor was found")
        found.inside, found.up, found.along = True, up.direction, along.direction
        found.across = np.cross(found.up, found.along)
        return found
    named = "floor plane" if up.decision.decided else "plane that is assumed to be the floor"
    found = datum.level(ground(floors[0], view, named), view.points_mm, along.direction)
    found.inside = True
    found.planes["z"] = replace(found.planes["z"], share=len(floors[0].rows) / len(view.points_mm))
    sides = [_side_wall(planes, view, found, side) for side in (1.0, -1.0)]
    pair = [wall for wall in sides if wall is not None]
    if len(pair) == 2:
        _between(found, view, pair, up.decision.decided and along.decision.decided)
    else:
        _by_mirror(found, view, pair)
    found.open_end = _open_end(room, found.along)
    return found


def _side_wall(planes: Sequence[RoomPlane], view: PartView, found: datum.Datum, side: float) -> RoomPlane | None:
    """The largest plane that closes the room towards ``side`` times across; None without one."""
    off = (view.points_mm - view.points_mm.mean(axis=0)) @ found.across * side
    low, high = np.percentile(off, [0.5, 99.5])
    least = (low + high) / 2 + SIDE * (high - low) / 2
    middle = view.points_mm.mean(axis=0)
    walls = [
        plane
        for plane in planes
        if -side * (plane.normal @ found.across) > np.cos(np.radians(WALL_DEG))
        and side * ((plane.centre_mm - middle) @ found.across) > least
    ]
    return walls[0] if walls else None


def _between(found: datum.Datum, view: PartView, pair: Sequence[RoomPlane], decided: bool) -> None:
    """Square the datum to two side walls: their bisector runs along, and zero Y lies halfway between them."""
    level = []
    for wall in pair:
        normal = wall.normal - (wall.normal @ found.up) * found.up
        level.append(normal / np.linalg.norm(normal))
    across = level[1] - level[0]  # into the room from the far side, against that from the near side
    across /= np.linalg.norm(across)
    found.across = across * np.sign(across @ found.across)
    found.along = np.cross(found.across, found.up)
    axes = np.array([found.along, found.across, found.up])
    middle = room_middle.between(view.points_mm, view.normals, axes, pair)
    if middle is None:  # the walls do not lie opposite each other: their planes alone
        reaches = [-(wall.distance_mm(found.zero_mm[None])[0]) / (wall.normal @ found.across) for wall in pair]
        found.zero_mm = found.zero_mm + sum(reaches) / 2 * found.across
        shape = float(np.hypot(pair[0].sd_mm, pair[1].sd_mm) / 2)
        turn = float(np.hypot(pair[0].tilt_sd_rad, pair[1].tilt_sd_rad) / 2)
    else:
        found.zero_mm = found.zero_mm + (middle.at_mm - found.zero_mm @ found.across) * found.across
        found.along = found.along + np.tan(middle.turn_rad) * found.across
        found.along /= np.linalg.norm(found.along)
        found.across = np.cross(found.up, found.along)
        shape, turn = middle.sd_mm, middle.turn_sd_rad
    posed, posed_turn = view.registration_sd(found.across)
    found.turn_sd_rad["z"] = float(np.hypot(turn, posed_turn or 0.0))
    found.planes["y"] = ZeroPlane(
        "middle between the side walls" if decided else "middle between two walls that are assumed to be the sides",
        None,
        found.across,
        float(found.across @ found.zero_mm),
        float(np.hypot(shape, posed or 0.0)),
        shape_sd_mm=shape,
        registration_sd_mm=posed,
    )


def _by_mirror(found: datum.Datum, view: PartView, walls: Sequence[RoomPlane]) -> None:
    """Zero Y of a room without two side walls: its symmetry plane, else as scanned, square to the wall that it has."""
    for wall in walls:
        across = wall.normal - (wall.normal @ found.up) * found.up
        found.across = across / np.linalg.norm(across) * np.sign(across @ found.across)
        found.along = np.cross(found.across, found.up)
    along, across, zero_mm, noted = found.along, found.across, found.zero_mm, len(found.notes)
    datum.set_mirror(found, view)
    if not found.found("y"):
        found.along, found.across = along, across
        found.zero_mm = zero_mm - (zero_mm @ across) * across
        del found.notes[noted:]
        found.notes.append(f"Zero Y is kept as scanned: {found.planes['y'].reason}, and no two side walls were found.")


def _open_end(room: Box, along: np.ndarray) -> np.ndarray | None:
    """Direction (3,) of the end of the room that is open while the other is closed; None where it is not so."""
    axis = int(np.argmax(np.abs(room.axes @ along)))
    covers = {sign: room_evidence.cover(room, axis, sign) for sign in (1.0, -1.0)}
    for sign, share in covers.items():
        if share < room_evidence.OPEN and covers[-sign] > room_evidence.CLOSED:
            return room.axes[axis] * sign
    return None
