"""The sizes that a fit-out needs of a room: lengths, widths, heights, wheel boxes, ribs and openings."""

import numpy as np

from nightbay.frame.result import Plane
from nightbay.measure import ribs, wall_openings, wheel_boxes
from nightbay.measure.result import RoomSize
from nightbay.measure.room import Room
from nightbay.measure.room_faces import End, Shell, edge, face

MIDDLE = 0.35  # half width of the band about the middle in which lengths are taken, share of the room's width
ROOF_MM = 60.0  # half width of the band about the middle in which heights are taken
OPEN_END_MM = 200.0  # depth of an open end in which its width and height are taken
LEVEL = 0.95  # cosine of 18 degrees: a surface that faces up or down


def find(shell: Shell, belt_mm: float) -> tuple[list[RoomSize], list[str]]:
    """The sizes of a room and sentences on what can't be stated; none without a level frame."""
    if shell.frame.room is None or not shell.frame.zero_planes["z"].found:
        return [], ["The room's sizes can't be stated: no floor was found."]
    room = Room(shell, belt_mm)
    _widths(room)
    _lengths(room)
    _heights(room)
    wheel_boxes.add(room)
    _open_ends(room)
    ribs.add(room)
    wall_openings.add(room)
    if not room.decided:
        room.notes.append(
            "The floor or the room's length is not decided: the sizes are right between the planes that they name, but "
            "what is called a length, a width or a height is assumed."
        )
    return room.sizes, room.notes


def _widths(room: Room) -> None:
    """Between the side walls, at floor and belt height, in the middle of the room's length."""
    walls = _pair(room, "left wall", "right wall")
    inset = 0.05 * (room.high[0] - room.low[0])
    for key, words, low, high in room.heights():
        window = room.box((room.low[0] + inset, None, low), (room.high[0] - inset, None, high))
        ends = tuple(face(room.shell, wall, *window) if wall else None for wall in walls)
        room.add(
            f"width_{key}", f"Width {words}",
            f"between the bare side walls, {low:.0f} to {high:.0f} mm above the floor",
            (ends[0], ends[1]), 1,
        )  # fmt: skip


def _lengths(room: Room) -> None:
    """From end to end, at floor and belt height, in the middle of the room's width; to a wall beside its aperture where
    that takes the middle. Only an end without any wall has an edge for its end."""
    walls = _pair(room, "front wall", "rear wall")
    half = MIDDLE * (room.high[1] - room.low[1])
    middle = (room.high[1] + room.low[1]) / 2
    for key, words, low, high in room.heights():
        window = room.box((None, middle - half, low), (None, middle + half, high))
        beside = room.box((None, None, low), (None, None, high))
        ends, names = [], []
        for wall, name, forward in zip(walls, ("front wall", "rear wall"), (True, False), strict=True):
            if wall is not None:
                found = face(room.shell, wall, *window) or face(room.shell, wall, *beside)
            else:
                found = _open_edge(room, forward, key, low, high)
                name = "open end" if found else name
            if found is None:
                room.notes.append(
                    f"The length {words} can't be stated: too little of the {name} was scanned there; scan it again."
                )
            ends.append(found)
            names.append(name)
        room.add(
            f"length_{key}", f"Length {words}, {names[0]} to {names[1]}",
            f"between the bare {names[0]} and the {names[1]}, {low:.0f} to {high:.0f} mm above the floor",
            (ends[0], ends[1]), 0,
        )  # fmt: skip


def _open_edge(room: Room, forward: bool, key: str, low: float, high: float) -> End | None:
    """The edge of the floor, or at belt height of the side walls, at an end of the room without a wall."""
    shell = room.shell
    side = shell.convention.forward * (1.0 if forward else -1.0)
    if key == "floor":
        rows = np.flatnonzero((shell.normals[:, 2] > LEVEL) & (np.abs(shell.points_mm[:, 2]) < 15.0))
        return edge(shell, rows, 0, side, 1)
    facing = np.abs(shell.normals[:, 1]) > LEVEL
    height = shell.points_mm[:, 2]
    outer = np.abs(shell.points_mm[:, 1]) > 0.75 * max(abs(room.low[1]), abs(room.high[1]))
    return edge(shell, np.flatnonzero(facing & outer & (height > low - 100) & (height < high + 100)), 0, side, 2)


def _open_ends(room: Room) -> None:
    """Width and height of an end of the room that has no wall, between the surfaces next to it."""
    forward = room.shell.convention.forward
    for kind, side in (("front wall", forward), ("rear wall", -forward)):
        if room.shell.planes(kind):
            continue
        name = kind.split()[0]
        end = room.high[0] if side > 0 else room.low[0]
        low_x, high_x = sorted([end, end - side * OPEN_END_MM])
        walls = _pair(room, "left wall", "right wall")
        for key, words, low, high in room.heights():
            window = room.box((low_x, None, low), (high_x, None, high))
            ends = [face(room.shell, wall, *window) if wall else None for wall in walls]
            room.add(
                f"{name}_opening_width_{key}", f"Width of the open {name} end, {words}",
                f"between the bare side walls, within {OPEN_END_MM:.0f} mm of the end", (ends[0], ends[1]), 1,
            )  # fmt: skip
        middle = (room.high[1] + room.low[1]) / 2
        window = room.box((low_x, middle - ROOF_MM, None), (high_x, middle + ROOF_MM, None))
        wide = room.box((low_x, None, None), (high_x, None, None))
        roof, floor = _pair(room, "roof", "floor")
        room.add(
            f"{name}_opening_height", f"Height of the open {name} end",
            f"from the floor to the bare roof, in the middle, within {OPEN_END_MM:.0f} mm of the end",
            (face(room.shell, roof, *window) if roof else None, face(room.shell, floor, *wide) if floor else None), 2,
        )  # fmt: skip


def _heights(room: Room) -> None:
    """From the floor to the bare roof and to the bows under it, in the middle of the room."""
    roof = next(iter(room.shell.planes("roof")), None)
    floor = next(iter(room.shell.planes("floor")), None)
    if roof is None or floor is None:
        return
    middle = (room.high[1] + room.low[1]) / 2
    inset = 0.1 * (room.high[0] - room.low[0])
    half = ROOF_MM
    window = room.box((room.low[0] + inset, middle - half, None), (room.high[0] - inset, middle + half, None))
    # the floor is wider than the band about the middle, where a ridge may lie
    wide = room.box((room.low[0] + inset, None, None), (room.high[0] - inset, None, None))
    top, bottom = face(room.shell, roof, *window), face(room.shell, floor, *wide)
    room.add("height_roof", "Height, floor to roof", "from the floor to the bare roof, in the middle", (top, bottom), 2)
    if top is None or bottom is None:
        return
    bows = ribs.under_roof(room, top, ROOF_MM)
    if len(bows) >= ribs.FEWEST:
        lowest = min(bows, key=lambda bow: float(bow.face.point_mm[2]))
        room.add(
            "height_bows", f"Height, floor to bows ({len(bows)})", "from the floor to the lowest bow, in the middle",
            (lowest.face, bottom), 2,
        )  # fmt: skip


def _pair(room: Room, first: str, second: str) -> tuple[Plane | None, Plane | None]:
    return tuple(next(iter(room.shell.planes(kind)), None) for kind in (first, second))  # type: ignore[return-value]
