"""Openings in the walls of a room, such as a side door's: their clear width and height where their edges are seen."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from nightbay.core.errors import NotFound
from nightbay.frame.result import Plane
from nightbay.measure import opening_edges
from nightbay.measure.opening_edges import Edge, Place
from nightbay.measure.room import Room

LEAST_MM = 300.0  # narrower or lower openings are lamps, vents and gaps of the scan
BEFORE_MM = 700.0  # what stands this near before the wall hides it: it is no opening
WALL_MM = 150.0  # walls bend and lean by less
CELLS = 3.0  # edge of a cell, spacings
LEAST_CELL_MM = 20.0
FILLED = 0.6  # least share of its bounds that an opening fills: a rectangle, not a gap of the scan
LEAST_EDGES = 3  # that are seen: with fewer a small one is a gap of the scan, which the stage coverage names
LARGE_MM2 = 0.5e6  # a larger one is a door or an end of the room
MEANING = "least clear distance of its edges over the middle 70 % of their length, beside hinges and locks"


@dataclass(frozen=True)
class Opening:
    """An empty place of a wall, seen from the room: the axes ``through`` it and ``along`` the wall; ``bounds_mm``
    {axis: (low, high)} to a cell's size, ``cell_mm``; ``wall_mm``: where the wall's points lie along ``through``."""

    through: int
    along: int
    bounds_mm: dict[int, tuple[float, float]]
    cell_mm: float
    wall_mm: tuple[float, float]

    @property
    def area_mm2(self) -> float:
        """Area of its bounds."""
        return float(np.prod([high - low for low, high in self.bounds_mm.values()]))


def add(room: Room) -> None:
    """State the clear width and height of each opening in the side walls and ends of the room."""
    for kind in ("left wall", "right wall", "front wall", "rear wall"):
        wall = next(iter(room.shell.planes(kind)), None)
        if wall is not None:
            number = 0
            for opening in _in_wall(room, wall):
                edges = _edges(room, opening)
                seen = sum(isinstance(edge, Edge) for edge in edges.values())
                if seen >= LEAST_EDGES or opening.area_mm2 > LARGE_MM2:
                    number += 1
                    _state(
                        room, f"opening {number} in the {kind}", f"{kind.replace(' ', '_')}_{number}", opening, edges
                    )


def _in_wall(room: Room, wall: Plane) -> list[Opening]:
    """Empty places of a wall that look like openings."""
    shell = room.shell
    through = int(np.argmax(np.abs(wall.normal)))
    along = 1 - through  # X for side walls, Y for ends
    away = shell.points_mm @ wall.normal - wall.offset_mm
    near = np.flatnonzero((away > -WALL_MM) & (away < BEFORE_MM))
    cell = max(CELLS * shell.spacing_mm, LEAST_CELL_MM)
    low, high = room.low[[along, 2]], room.high[[along, 2]]
    size = np.maximum(np.ceil((high - low) / cell), 1).astype(np.int64)
    at = np.floor((shell.points_mm[near][:, [along, 2]] - low) / cell).astype(np.int64)
    inside = ((at >= 0) & (at < size)).all(axis=1)
    seen = np.zeros(size, bool)
    seen[tuple(at[inside].T)] = True
    empty, _ = ndimage.label(ndimage.binary_opening(~seen, np.ones((3, 3))))
    found = []
    for place, box in enumerate(ndimage.find_objects(empty), 1):
        extent = [(part.stop - part.start) * cell for part in box]
        share = (empty[box] == place).mean()
        inner = box[0].start > 0 and box[0].stop < size[0]
        if min(extent) < LEAST_MM or share < FILLED or not inner or box[1].stop >= size[1]:
            continue
        bounds = {
            axis: (float(low[k] + box[k].start * cell), float(low[k] + box[k].stop * cell))
            for k, axis in enumerate((along, 2))
        }
        found.append(Opening(through, along, bounds, cell, _wall_mm(wall, through, along, bounds)))
    return found


def _wall_mm(wall: Plane, through: int, along: int, bounds: dict[int, tuple[float, float]]) -> tuple[float, float]:
    """Where a wall lies along the axis through it at the middle of an opening, with what it bends and leans."""
    rest = wall.normal[along] * np.mean(bounds[along]) + wall.normal[2] * np.mean(bounds[2])
    middle = float((wall.offset_mm - rest) / wall.normal[through])
    return middle - WALL_MM, middle + WALL_MM


def _edges(room: Room, opening: Opening) -> dict[tuple[int, float], Edge | NotFound]:
    """The four edges of an opening, by the axis across it and the side."""
    found = {}
    for across, along in ((opening.along, 2), (2, opening.along)):
        for sign, end_mm in zip((-1.0, 1.0), opening.bounds_mm[across], strict=True):
            low_mm, high_mm = opening.bounds_mm[along]
            place = Place(
                across, along, opening.through, sign, end_mm, low_mm, high_mm, opening.wall_mm, opening.cell_mm
            )
            found[across, sign] = opening_edges.find(room.shell, place)
    return found


def _state(room: Room, name: str, key: str, opening: Opening, edges: dict[tuple[int, float], Edge | NotFound]) -> None:
    """State the clear width and height of an opening; where an edge is not known, why they can't be stated.

    Without one of its edges the ends of its neighbours are not known either, nor what of them counts.
    """
    for (axis, sign), edge in edges.items():
        if isinstance(edge, NotFound):
            side = _side(room, axis, sign)
            room.notes.append(
                f"The clear width and height of {name} can't be stated: its {side} is not known, because "
                f"{edge.reason}; scan this edge from the room and from outside."
            )
            return
    for size, axis in (("width", opening.along), ("height", 2)):
        high, low = edges[axis, 1.0], edges[axis, -1.0]
        assert isinstance(high, Edge) and isinstance(low, Edge)
        room.add(f"opening_{size}_{key}", f"Clear {size} of {name}", MEANING, opening_edges.clear(high, low), axis)


def _side(room: Room, axis: int, sign: float) -> str:
    """The side of an opening in words."""
    convention = room.shell.convention
    if axis == 2:
        return "upper edge" if sign > 0 else "lower edge"
    if axis == 1:
        return "left edge" if sign == convention.left else "right edge"
    return "front edge" if sign == convention.forward else "rear edge"
