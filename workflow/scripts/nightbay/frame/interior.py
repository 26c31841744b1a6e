"""The frame of a room: a part seen from inside is levelled and squared to its own planes."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from nightbay.core.errors import NotFound
from nightbay.core.text_format import listing
from nightbay.frame import datum, heading, room_evidence, room_hints, room_planes, room_square
from nightbay.frame.part_view import PartView
from nightbay.frame.result import Decision
from nightbay.frame.room_evidence import Box, Votes
from nightbay.frame.room_planes import RoomPlane
from nightbay.frame.room_square import Choice

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
    found = Found(
        room_square.square(view, room, planes, up, along), planes, up.decision, along.decision, forward, notes
    )
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
    level = datum.level(room_square.ground(floors[0], view, "floor plane"), view.points_mm)
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
) -> Choice:
    """Which way is up: the job sheet's, else what the shape shows, else the likeliest guess."""
    along = None if named is None else int(np.argmax(np.abs(room.axes @ named)))
    votes = room_evidence.up_votes(room, along)
    guess = max(votes, key=lambda key: (votes[key].count, _facing_mm2(room, planes, *key)), default=None)
    sure = guess is not None and room_evidence.decided(votes, guess)
    if "up" in wanted:
        given = _standing(room_hints.nearest("up", wanted["up"], room.axes, planes), room, named)
        if not isinstance(given, NotFound):
            shows = guess is not None and votes[guess].count >= room_evidence.AHEAD
            if shows and guess is not None and room.axes[guess[0]] * guess[1] @ given < 0.5:
                shown = listing(votes[guess].words)
                notes.append(f"axes.up in the job sheet contradicts the shape ({shown}); the job sheet was followed.")
            return Choice(given, Decision(True, "job sheet", None))
        notes.append(_sentence(given.reason))
    if guess is None:
        axis = int(np.argmin(room.size))
        return Choice(room.axes[axis], Decision(False, "assumed", "no end of the room is closed as a floor is"))
    return Choice(room.axes[guess[0]] * guess[1], _decision(sure, votes[guess]))


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
    words = listing(votes.words)
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
    up: Choice,
    wanted: Mapping[str, np.ndarray],
    notes: list[str],
) -> tuple[Choice, np.ndarray | None]:
    """Which horizontal direction runs along the vehicle, and the front's direction where the job sheet gives it."""
    vertical = int(np.argmax(np.abs(room.axes @ up.direction)))
    level = [axis for axis in range(3) if axis != vertical]
    if "forward" in wanted:
        given = room_hints.nearest("forward", wanted["forward"], room.axes[level], planes)
        if not isinstance(given, NotFound):
            return Choice(given, Decision(True, "job sheet", None)), given
        notes.append(_sentence(given.reason))
    votes = room_evidence.along_votes(room, vertical, float(np.sign(room.axes[vertical] @ up.direction)))
    named = _named(view, room.axes[level])
    if named is not None:
        votes[level[int(np.argmax(np.abs(room.axes[level] @ named)))]].add(NAMED_VOTES, "names of segments")
    guess = max(level, key=lambda axis: (votes[axis].count, room.size[axis]))
    sure = room_evidence.decided(votes, guess, room_evidence.AHEAD)
    return Choice(room.axes[guess], _decision(sure, votes[guess])), None


def _sentence(reason: str) -> str:
    return f"{reason[0].upper()}{reason[1:]}." if not reason.startswith("axes.") else f"{reason}."
