"""Which of the planes that segments took for the ground are the ground: almost nothing lies below them, and they agree.

Stage clean looks for the ground in one segment at a time and may take a flat side of the vehicle or a wall for it. All
segments together show more: behind a side lies the vehicle, and two planes far apart are not one ground. Smaller
differences are left to the stance, which knows the unevenness of the floor and which wheels stand on it.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse import csgraph

from nightbay.core import thinning
from nightbay.core.text_format import listing
from nightbay.frame.ground_plane import FOOTPRINT_MM, GroundPlane, SegmentPlane
from nightbay.frame.part_view import PartView
from nightbay.frame.result import GroundLeftOut

# Share of the part that may lie below its ground: a wheel in a hollow, the foot of a ramp, floor that another segment
# kept (common practice, no source). Behind a side, a roof or a tailgate lies most of a vehicle.
MOST_BELOW = 0.1
TRAVEL_MM = 50.0  # a body moves no further on its suspension (common practice, no source); the stance compares that
MOST_SDS = 4.0  # of normal errors 6 in 100 000 lie further off
AXLES = 2  # that stand on a plane make it the ground: on a wall or a side stands none, one may be a chance


@dataclass(frozen=True)
class Choice:
    """Names of the segments whose ground is ``used``, and the grounds that are ``left_out``, in the order of the part;
    ``reason``: why none is used although some were seen, as a clause, else None."""

    used: list[str]
    left_out: list[GroundLeftOut]
    reason: str | None = None


def choose(planes: Mapping[str, SegmentPlane], view: PartView, axles_on: Callable[[list[str]], int]) -> Choice:
    """The :class:`Choice` among the ``planes`` {segment: what it took for the ground, control frame}.

    ``axles_on``: how many axles stand on the ground of some segments, names. It is asked only where grounds contradict
    each other. Axles decide, then the number of segments that agree; without either no ground is used.
    """
    below = {name: _share_below(plane, view) for name, plane in planes.items()}
    sound = [name for name in planes if below[name] <= MOST_BELOW]
    groups = _groups([planes[name] for name in sound], view)
    named = [[sound[row] for row in group] for group in groups]
    used = named[0] if len(named) == 1 else _decided(named, axles_on)
    left_out = [
        _left_out(name, below[name], used or [other for other in sound if other != name], planes, view)
        for name in planes
        if name not in used
    ]
    return Choice(used, left_out, None if used or not planes else _reason(left_out, sound))


def kept_floor(choice: Choice, ground: GroundPlane | None) -> dict[str, float]:
    """Height above the ``ground`` up to which points are the floor, mm, of each segment whose own is left out."""
    if ground is None:
        return {}
    height_mm = MOST_SDS * float(np.hypot(ground.roughness_mm, ground.spread_mm or 0.0))
    return {left.segment: height_mm for left in choice.left_out}


def notes(choice: Choice) -> list[str]:
    """A sentence for each ground that is left out."""
    found = []
    for left in choice.left_out:
        if left.refused:
            found.append(
                f"The ground of segment {left.segment} is not used: {left.below_share:.0%} of the part's points lie "
                "below it."
            )
        elif choice.used:
            found.append(
                f"The ground of segment {left.segment} is not used: it differs from that of {listing(left.against)} "
                f"by {left.tilt_deg:.1f} degrees and {left.apart_mm:.0f} mm."
            )
    if choice.reason:
        found.append(f"No scanned ground is used: {choice.reason}.")
    return found


def _decided(groups: list[list[str]], axles_on: Callable[[list[str]], int]) -> list[str]:
    """The group of segments, names, whose ground is right; empty where neither axles nor their number decides."""
    if not groups:
        return []
    standing = [group for group in groups if axles_on(group) >= AXLES]
    if len(standing) == 1:
        return standing[0]
    ordered = sorted(groups, key=len, reverse=True)
    return ordered[0] if len(ordered[0]) > len(ordered[1]) else []


def _share_below(plane: SegmentPlane, view: PartView) -> float:
    """Share of the part's points that lie below a plane by more than suspension and uncertainty explain."""
    allowed_mm = TRAVEL_MM + MOST_SDS * plane.sds_mm(view.points_mm)
    return float(np.mean(plane.heights_mm(view.points_mm) < -allowed_mm))


def _groups(planes: Sequence[SegmentPlane], view: PartView) -> list[np.ndarray]:
    """Rows of the planes that agree with each other, directly or by others between them."""
    if not planes:
        return []
    agree = np.array([[_agree(first, second, view) for second in planes] for first in planes])
    count, group = csgraph.connected_components(agree & agree.T, directed=False)
    return [np.flatnonzero(group == number) for number in range(count)]


def _agree(first: SegmentPlane, second: SegmentPlane, view: PartView) -> bool:
    """Whether under half of the part or more two grounds are no further apart than suspension and uncertainty explain.

    ``first`` and ``second`` are not alike here: the points are those of the first.
    """
    if first.normal @ second.normal <= 0.0:
        return False
    at_mm = _footprint(first, view)
    allowed_mm = TRAVEL_MM + MOST_SDS * np.hypot(first.sds_mm(at_mm), second.sds_mm(at_mm))
    return bool(np.median(np.abs(second.heights_mm(at_mm)) - allowed_mm) <= 0.0)


def _footprint(plane: SegmentPlane, view: PartView) -> np.ndarray:
    """Points (m, 3) of a plane at right angles below the part, one in each cell."""
    foot = view.points_mm - np.outer(plane.heights_mm(view.points_mm), plane.normal)
    return foot[thinning.thin(foot, FOOTPRINT_MM)]


def _left_out(
    name: str, below: float, against: list[str], planes: Mapping[str, SegmentPlane], view: PartView
) -> GroundLeftOut:
    """The ground of a segment that is not used, against those of others, names: by the one that is furthest off."""
    tilts, apart = [0.0], [0.0]
    for other in against:
        cosine = planes[other].normal @ planes[name].normal
        tilts.append(float(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))))
        apart.append(float(np.median(np.abs(planes[name].heights_mm(_footprint(planes[other], view))))))
    return GroundLeftOut(name, below, max(tilts), max(apart), against, below > MOST_BELOW)


def _reason(left_out: list[GroundLeftOut], sound: list[str]) -> str:
    """Why no ground is used, as a clause."""
    if not sound:
        return "much of the vehicle lies below each plane that a segment shows as the ground"
    worst = max((left for left in left_out if left.segment in sound), key=lambda left: left.apart_mm)
    return (
        f"the grounds that segments show contradict each other by up to {worst.tilt_deg:.1f} degrees and "
        f"{worst.apart_mm:.0f} mm"
    )
