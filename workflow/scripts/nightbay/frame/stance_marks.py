"""Marks the points that the model is made without: wheels of segments whose body stood differently, moved panels,
floor that clean kept."""

from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np

from nightbay.clean.result import CleanResult
from nightbay.clouds.posed_segment import PosedSegment
from nightbay.core import rigid
from nightbay.core.axes import Axes
from nightbay.frame.part_view import PartView
from nightbay.stance import left_out
from nightbay.stance.cells import CELL_MM
from nightbay.stance.find import Found
from nightbay.stance.result import Contradicted, LeftOut, Side, Where

Holds = Callable[[np.ndarray], np.ndarray]  # which points (n, 3) lie in a region, (n,) bool
MARGIN = 1.03  # of a wheel's radius: its surface in a segment that moved lies a little beside the zone


def side_of(normal: np.ndarray, convention: Axes) -> Side:
    """The side of the vehicle that a surface of this normal (3,), vehicle frame, faces."""
    names: tuple[tuple[Side, Side], ...] = (("front", "rear"), ("left", "right"), ("top", "below"))
    signs = (convention.forward, convention.left, 1.0)
    axis = int(np.argmax(np.abs(normal)))
    return names[axis][0 if normal[axis] * signs[axis] > 0 else 1]


def mark(
    found: Found, T_vehicle_level: np.ndarray, view: PartView, cleaned: Mapping[str, CleanResult], folder: Path
) -> list[LeftOut]:
    """Mark the points in frame's ``folder``; what was marked, by segment and place."""
    listed = []
    for number, segment in enumerate(view.clouds.segments):
        rows = np.zeros(len(segment.cloud), bool)
        for where, holds in _regions(found, number):
            mine = left_out.inside(segment, found.T_level_control, holds)
            fresh = mine.rows & ~rows
            if fresh.any():
                rows |= fresh
                listed.append(_listed(segment, where, int(fresh.sum()), mine, T_vehicle_level, cleaned))
        if rows.any():
            np.save(folder / left_out.file_name(segment.name), rows)
    return listed


def contradicted(found: Found, T_vehicle_level: np.ndarray, view: PartView, convention: Axes) -> list[Contradicted]:
    """Surface that stands where another segment looked through, the largest first."""
    listed = []
    for each in found.looked_through:
        mine = left_out.inside(view.clouds.segments[each.number], found.T_level_control, each.holds)
        corners = rigid.transform(T_vehicle_level, np.array([each.low_mm, each.high_mm]))
        listed.append(
            Contradicted(
                segment=found.names[each.number],
                through=found.names[each.through],
                count=int(mine.rows.sum()),
                area_mm2=len(each.cells) * CELL_MM**2,
                place=side_of(rigid.rotate(T_vehicle_level, each.normal[None])[0], convention),
                low_mm=corners.min(axis=0).tolist(),
                high_mm=corners.max(axis=0).tolist(),
            )
        )
    return listed


def _regions(found: Found, number: int) -> list[tuple[Where, Holds]]:
    """What is left out of a segment: where it is, and which points (n, 3) of the level frame lie in it."""
    regions: list[tuple[Where, Holds]] = []
    floor_mm = found.kept_floor.get(found.names[number])
    if floor_mm is not None:
        regions.append(("floor", lambda points: points[:, 2] <= floor_mm))
    if number in found.agreement.moved and found.zones:
        at_mm = np.array([zone.middle_mm for zone in found.zones])
        rise, _ = found.motion.difference(found.agreement.alike[0], number, at_mm)
        # a zone was found where the segments that are used have the wheel, or where this one has it
        zones = [zone.risen(up, MARGIN) for zone, up in zip(found.zones, rise, strict=True)]
        zones += [zone.risen(0.0, MARGIN) for zone in found.zones]
        regions.append(("wheels", lambda points: np.any([zone.holds(points) for zone in zones], axis=0)))
    regions += [("panel", chosen.panel.holds) for chosen in found.panels if chosen.left_out == number]
    return regions


def _listed(
    segment: PosedSegment,
    where: Where,
    count: int,
    marked: left_out.Marked,
    T_vehicle_level: np.ndarray,
    cleaned: Mapping[str, CleanResult],
) -> LeftOut:
    """What was marked, for the JSON."""
    corners = rigid.transform(T_vehicle_level, np.array([marked.low_mm, marked.high_mm]))
    area_mm2 = count * cleaned[segment.name].spacing_mm ** 2
    return LeftOut(segment.name, count, area_mm2, where, corners.min(axis=0).tolist(), corners.max(axis=0).tolist())
