"""Openings in the walls of a room, such as a side door's: their width and height where their edges are seen."""

import numpy as np
from scipy import ndimage

from nightbay.core import robust
from nightbay.frame.result import Plane
from nightbay.measure.room import Room
from nightbay.measure.room_faces import End
from nightbay.uncertainty import budget as uncertainty_budget

LEAST_MM = 300.0  # narrower or lower openings are lamps, vents and gaps of the scan
BEFORE_MM = 700.0  # what stands this near before the wall hides it: it is no opening
WALL_MM = 150.0  # walls bend and lean by less
CELLS = 3.0  # edge of a cell, spacings
LEAST_CELL_MM = 20.0
FILLED = 0.6  # least share of its bounds that an opening fills: a rectangle, not a gap of the scan
LEAST_ROWS = 5
STRAIGHT = 1.0  # most scatter of an edge, cells: else it is no edge but the end of what the scanner saw


def add(room: Room) -> None:
    """State the width and height of each opening in the side walls and ends of the room."""
    for kind in ("left wall", "right wall", "front wall", "rear wall"):
        wall = next(iter(room.shell.planes(kind)), None)
        if wall is not None:
            _in_wall(room, wall, kind)


def _in_wall(room: Room, wall: Plane, kind: str) -> None:
    shell = room.shell
    axis = int(np.argmax(np.abs(wall.normal)))
    along = 1 - axis  # X for side walls, Y for ends
    away = shell.points_mm @ wall.normal - wall.offset_mm
    near = np.flatnonzero((away > -WALL_MM) & (away < BEFORE_MM))
    cell = max(CELLS * shell.spacing_mm, LEAST_CELL_MM)
    low, high = room.low[[along, 2]], room.high[[along, 2]]
    size = np.maximum(np.ceil((high - low) / cell), 1).astype(np.int64)
    at = np.floor((shell.points_mm[near][:, [along, 2]] - low) / cell).astype(np.int64)
    inside = ((at >= 0) & (at < size)).all(axis=1)
    seen = np.zeros(size, bool)
    seen[tuple(at[inside].T)] = True
    empty, count = ndimage.label(ndimage.binary_opening(~seen, np.ones((3, 3))))
    number = 0
    for place, box in enumerate(ndimage.find_objects(empty), 1):
        extent = [(part.stop - part.start) * cell for part in box]
        share = (empty[box] == place).mean()
        inner = box[0].start > 0 and box[0].stop < size[0]
        if min(extent) < LEAST_MM or share < FILLED or not inner or box[1].stop >= size[1]:
            continue
        number += 1
        bounds = [(low[k] + box[k].start * cell, low[k] + box[k].stop * cell) for k in range(2)]
        _state(room, kind, number, (axis, along), bounds, np.flatnonzero(np.abs(away) < WALL_MM), cell)


def _state(room, kind, number, axes, bounds, rows, cell):
    """State one opening; ``bounds``: along and up, (low, high) each; ``rows`` of the wall."""
    axis, along = axes
    name = f"opening {number} in the {kind}"
    key = f"{kind.replace(' ', '_')}_{number}"
    left, right = (_edge(room, rows, along, 2, bounds[0], bounds[1], side, cell) for side in (-1.0, 1.0))
    room.add(f"opening_width_{key}", f"Width of {name}", "between its edges", (right, left), along)
    bottom, top = (_edge(room, rows, 2, along, bounds[1], bounds[0], side, cell) for side in (-1.0, 1.0))
    if bottom is None or bounds[1][0] - room.low[2] < 2 * cell:
        middle = np.array([0.0, 0.0, 0.0])
        middle[along] = np.mean(bounds[0])
        middle[axis] = float(np.median(room.shell.points_mm[rows, axis]))
        sd = room.shell.frame.zero_planes["z"].sd_mm or 0.0
        bottom = End(middle, {"flatness": sd})
        name = f"{name}, from the floor"
    room.add(f"opening_height_{key}", f"Height of {name}", "between its edges", (top, bottom), 2)


def _edge(room, rows, axis, across, ends, band, side, cell):
    """The wall's edge at the end on a ``side`` of an opening along ``axis``; None where it is not seen."""
    points = room.shell.points_mm[rows]
    end = ends[1] if side > 0 else ends[0]
    inset = 0.15 * (band[1] - band[0])
    mine = points[
        (points[:, across] > band[0] + inset)
        & (points[:, across] < band[1] - inset)
        & (np.abs(points[:, axis] - end) < 4 * cell)
    ]
    strip = np.floor(mine[:, across] / cell).astype(np.int64)
    values = []
    for number in np.unique(strip):
        reach = side * mine[strip == number, axis]
        values.append(reach.min() - 4 * cell / max(len(reach), 1) * 0.5)
    if len(values) < LEAST_ROWS:
        return None
    at = float(np.median(values))
    ragged = robust.MAD_TO_SD * float(np.median(np.abs(np.array(values) - at)))
    if ragged > STRAIGHT * cell:
        return None
    point = np.median(mine, axis=0)
    point[axis] = side * at
    spacing = uncertainty_budget.rectangular_sd_mm(room.shell.spacing_mm / 2)
    return End(point, {"edge": ragged / np.sqrt(len(values)), "spacing": spacing})
