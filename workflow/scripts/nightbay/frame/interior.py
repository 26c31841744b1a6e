"""The frame of a room: a part seen from inside is levelled and squared to its own planes."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from nightbay.core.errors import NotFound
from nightbay.frame import datum, heading, room_evidence, room_hints, room_middle, room_planes
from nightbay.frame.ground_plane import GroundPlane
from nightbay.frame.part_view import PartView
from nightbay.frame.result import Decision, ZeroPlane
from nightbay.frame.room_evidence import Box, Votes
from nightbay.frame.room_planes import RoomPlane

WALL_DEG = 20.0  # side walls lean by less
FLOOR_HEIGHT = 0.35  # the floor lies in this lower share of the room
SIDE = 0.6  # a side wall lies beyond this share of the half width
NAMED_DEG = 25.0  # the segments' names give an axis where it lies within this of the line between them
NAMED_VOTES = 3  # as much as two kinds of evidence in the shape
ASK_UP = "Give axes.up in the job sheet: the number of the floor's plane on this page, or a point near it."
ASK_FORWARD = (
    "Give axes.forward in the job sheet: the number of the front wall's plane on this page, or a point near it."
)


@dataclass
class Found:
    """The ``datum`` of an interior with its ``planes``, the largest first; ``up`` and ``along``: how the directions
    were decided; ``forward`` (3,) from the job sheet, None without a usable one."""

    datum: datum.Datum
    planes: list[RoomPlane]
    up: Decision
    along: Decision
    forward: np.ndarray | None = None
    notes: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class _Choice:
    """A direction (3,), unit, of the control frame, and how it was decided."""

    direction: np.ndarray
    decision: Decision


def find(view: PartView, written: Mapping[str, Any], factor: float) -> Found:
    """The :class:`Found` frame of an interior.

    ``written``: ``axes`` of the job sheet; ``factor``: what the lengths of raw coordinates are multiplied by. The room
    is squared to its planes in any case. Which way is up and which axis runs along it comes from the job sheet, else
    from the names of the segments and the shape where they decide; else it is assumed, and a note asks.
    """
    planes = room_planes.find(view.points_mm, view.normals, view.options.coarse_mm)
    print(f"{len(planes)} planes, {sum(plane.area_mm2 for plane in planes) / 1e6:.1f} m2")
    axes = room_evidence.directions(planes)
    notes: list[str] = []
    wanted = _wanted(view, written, planes, factor, notes)
    if axes is None:
        return _without_walls(view, planes, wanted, notes)
    room = room_evidence.box(view, axes)
    up = _up(room, planes, wanted, _named(view, axes), notes)
    along, forward = _along(view, room, planes, up, wanted, notes)
    found = Found(_squared(view, room, planes, up, along), planes, up.decision, along.decision, forward, notes)
    if not up.decision.decided:
        notes.append(f"Which of the room's planes is the floor is not decided: {up.decision.reason}. {ASK_UP}")
    if not along.decision.decided:
        notes.append(f"Which way the vehicle's length runs is not decided: {along.decision.reason}. {ASK_FORWARD}")
    return found


def _wanted(
    view: PartView, written: Mapping[str, Any], planes: Sequence[RoomPlane], factor: float, notes: list[str]
) -> dict[str, np.ndarray]:
    """The directions of the job sheet that can be used, by name; a note on each that can't."""
    usable = {}
    for name, value in written.items():
        wanted = room_hints.direction(name, value, planes, view, factor)
        if isinstance(wanted, NotFound):
            notes.append(_sentence(wanted.reason))
        else:
            usable[name] = wanted
    return usable


def _without_walls(
    view: PartView, planes: list[RoomPlane], wanted: Mapping[str, np.ndarray], notes: list[str]
) -> Found:
    """An interior without floor and walls at right angles, such as a cabin; level if the job sheet gives the floor."""
    reason = "no floor and walls at right angles to each other were found"
    unknown = Decision(False, "kept", reason)
    floors = [plane for plane in planes if plane.normal @ wanted["up"] > 0.9] if "up" in wanted else []
    if not floors:
        found = datum.as_scanned(reason)
        found.inside = True
        return Found(found, planes, unknown, unknown, None, [*notes, ASK_UP])
    level = datum.level(_ground(floors[0], view, "floor plane"), view.points_mm)
    level.inside = True
    datum.set_mirror(level, view)
    along = Decision(True, "symmetry plane", None) if level.found("y") else unknown
    return Found(level, planes, Decision(True, "job sheet", None), along, wanted.get("forward"), notes)


def _named(view: PartView, axes: np.ndarray) -> np.ndarray | None:
    """The row of ``axes`` (3, 3), pointing forward, along which segments named after an end lie; None without."""
    towards = heading.named_direction(view)
    if towards is None:
        return None
    cosines = axes @ towards
    chosen = int(np.argmax(np.abs(cosines)))
    if abs(cosines[chosen]) < np.cos(np.radians(NAMED_DEG)):
        return None
    return axes[chosen] * np.sign(cosines[chosen])


def _up(
    room: Box,
    planes: Sequence[RoomPlane],
    wanted: Mapping[str, np.ndarray],
    named: np.ndarray | None,
    notes: list[str],
) -> _Choice:
    """Which way is up: the job sheet's, else what the shape shows, else the likeliest guess."""
    votes = room_evidence.up_votes(room)
    if named is not None:
        along = int(np.argmax(np.abs(room.axes @ named)))
        votes = {key: found for key, found in votes.items() if key[0] != along}
    guess = max(votes, key=lambda key: (votes[key].count, _facing_mm2(room, planes, *key)), default=None)
    sure = guess is not None and room_evidence.decided(votes, guess)
    if "up" in wanted:
        given = _standing(room_hints.nearest("up", wanted["up"], room.axes, planes), room, named)
        if not isinstance(given, NotFound):
            if sure and guess is not None and room.axes[guess[0]] * guess[1] @ given < 0.5:
                shown = " and ".join(votes[guess].words)
                notes.append(f"axes.up in the job sheet contradicts the shape ({shown}); the job sheet was followed.")
            return _Choice(given, Decision(True, "job sheet", None))
        notes.append(_sentence(given.reason))
    if guess is None:
        axis = int(np.argmin(room.size))
        return _Choice(room.axes[axis], Decision(False, "assumed", "no end of the room is closed as a floor is"))
    return _Choice(room.axes[guess[0]] * guess[1], _decision(sure, votes[guess]))


def _standing(given: np.ndarray | NotFound, room: Box, named: np.ndarray | None) -> np.ndarray | NotFound:
    """The job sheet's direction up, or why the room can't stand that way."""
    if isinstance(given, NotFound):
        return given
    axis = int(np.argmax(np.abs(room.axes @ given)))
    if named is not None and abs(named @ given) > 0.5:
        reason = "points from end to end of the room, as the names of its segments give them"
    elif room_evidence.cover(room, axis, -float(np.sign(room.axes[axis] @ given))) < room_evidence.OPEN:
        reason = "would put the floor where the room is open"
    else:
        return given
    return NotFound(f"axes.up in the job sheet {reason}; it was not used: {room_hints.WHAT_TO_DO}")


def _decision(sure: bool, votes: Votes) -> Decision:
    words = " and ".join(votes.words)
    if sure:
        return Decision(True, words, None)
    return Decision(False, "assumed", f"only this speaks for it: {words}" if words else "nothing in the shape shows it")


def _facing_mm2(room: Box, planes: Sequence[RoomPlane], axis: int, sign: float) -> float:
    """Area of the largest plane that faces along a signed direction of the room."""
    return max((plane.area_mm2 for plane in planes if plane.normal @ room.axes[axis] * sign > 0.9), default=0.0)


def _along(
    view: PartView,
    room: Box,
    planes: Sequence[RoomPlane],
    up: _Choice,
    wanted: Mapping[str, np.ndarray],
    notes: list[str],
) -> tuple[_Choice, np.ndarray | None]:
    """Which horizontal direction runs along the vehicle, and the front's direction where the job sheet gives it."""
    vertical = int(np.argmax(np.abs(room.axes @ up.direction)))
    level = [axis for axis in range(3) if axis != vertical]
    if "forward" in wanted:
        given = room_hints.nearest("forward", wanted["forward"], room.axes[level], planes)
        if not isinstance(given, NotFound):
            return _Choice(given, Decision(True, "job sheet", None)), given
        notes.append(_sentence(given.reason))
    votes = room_evidence.along_votes(room, vertical, float(np.sign(room.axes[vertical] @ up.direction)))
    named = _named(view, room.axes[level])
    if named is not None:
        votes[level[int(np.argmax(np.abs(room.axes[level] @ named)))]].add(NAMED_VOTES, "names of segments")
    guess = max(level, key=lambda axis: (votes[axis].count, room.size[axis]))
    sure = room_evidence.decided(votes, guess, room_evidence.AHEAD)
    return _Choice(room.axes[guess], _decision(sure, votes[guess])), None


def _ground(plane: RoomPlane, view: PartView, found_by: str) -> GroundPlane:
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


def _squared(view: PartView, room: Box, planes: Sequence[RoomPlane], up: _Choice, along: _Choice) -> datum.Datum:
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
    found = datum.level(_ground(floors[0], view, named), view.points_mm, along.direction)
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


def _sentence(reason: str) -> str:
    return f"{reason[0].upper()}{reason[1:]}." if not reason.startswith("axes.") else f"{reason}."
