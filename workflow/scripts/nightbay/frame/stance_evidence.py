"""What shows the stance of a part: the floor that clean removed, and the wheels, of all segments or of some."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from nightbay.clouds import removed
from nightbay.clouds.posed import PosedClouds
from nightbay.core import rigid
from nightbay.frame import axles
from nightbay.frame.datum import Datum
from nightbay.frame.part_view import PartView
from nightbay.frame.wheels import Wheel
from nightbay.stance import find as stance
from nightbay.stance.wheel_zone import INNER_MM, MIDDLE_MM, OUTER_MM, WheelZone

MOST_FLOOR = 400_000  # points of a segment's floor that are read
SAME_WHEEL_MM = 250.0  # two finds of a wheel lie nearer to each other, two wheels further apart


def only(view: PartView, names: Iterable[str]) -> PartView:
    """The part as if its wheels had been scanned in the segments ``names`` alone."""
    chosen = set(names)
    return replace(view, clouds=PosedClouds(segment for segment in view.clouds.segments if segment.name in chosen))


def floors_mm(cleaned: Sequence[Any], view: PartView, factor: float) -> dict[str, np.ndarray]:
    """Points (n, 3) of the floor that each segment saw, control frame; ``factor`` of all lengths."""
    poses = {segment.name: segment.T_frame_segment for segment in view.clouds.segments}
    found = {}
    for segment in cleaned:
        if segment.result["ground"] is None:
            continue
        points = removed.removed_points(segment, ["ground"])
        points = points[:: max(1, -(-len(points) // MOST_FLOOR))] * factor
        found[segment.segment] = rigid.transform(poses[segment.segment], points)
    return found


def find(
    datum: Datum, view: PartView, floors: Mapping[str, np.ndarray], least_mm: float, named: Mapping[str, str]
) -> stance.Found | None:
    """The stance of a part in the level frame of its ``datum``; None where it is not level or has one segment."""
    if not datum.found("z") or len(view.names) < 2:
        return None
    zones = [_zone(wheel) for wheel in _wheels(datum, view)]
    return stance.find(view.clouds, floors, datum.T_level_control, zones, view.drift_mm_per_m, least_mm, named)


def _wheels(datum: Datum, view: PartView) -> list[Wheel]:
    """The wheels that were found, and where one is missing beside another those that a single segment shows: a wheel of
    two surfaces may fit none."""
    found = list(datum.wheels)
    if found and all(axle.paired or axle.wheels[0].side == 0 for axle in datum.axles) and len(datum.axles) > 1:
        return found
    for name in view.names:
        alone = replace(datum, wheels=[], axles=[], planes=dict(datum.planes), notes=[])
        axles.find(alone, only(view, [name]))
        for wheel in alone.wheels:
            if all(np.linalg.norm(wheel.axle_mm - other.axle_mm) > SAME_WHEEL_MM for other in found):
                found.append(wheel)
    return found


def _zone(wheel: Wheel) -> WheelZone:
    """The space of a wheel, level frame."""
    radius_mm = max(float(wheel.axle_mm[2]), wheel.radius_mm or 0.0)
    if wheel.side == 0:
        return WheelZone(wheel.axle_mm, wheel.axle, radius_mm, MIDDLE_MM, MIDDLE_MM)
    outer = wheel.places_mm[1]
    return WheelZone(outer if np.isfinite(outer).all() else wheel.axle_mm, wheel.axle, radius_mm, INNER_MM, OUTER_MM)
