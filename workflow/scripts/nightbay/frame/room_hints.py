"""What a job sheet says of a room: up or forward by a raw axis, a plane, a point near it or three points."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from nightbay.core import rigid
from nightbay.core.errors import NotFound
from nightbay.frame.part_view import PartView
from nightbay.frame.room_planes import RoomPlane

DIRECTIONS = {
    f"{sign}{axis}": s * np.eye(3)[at] for at, axis in enumerate("xyz") for sign, s in (("+", 1.0), ("-", -1.0))
}
MOST_DEG = 35.0  # a direction further from every plane may mean two of them: the next is 55 degrees off or less
NEAR_MM = 60.0  # a point that names a plane lies within this of its points: three spacings of the thinned cloud
FLAT = 0.05  # least height of a triangle of three points, share of its longest side: else they lie on a line
WHAT_TO_DO = (
    "name the plane by its number on this page (plane: 3), by a point near it (near_mm) or by three points on it "
    "(points_mm)"
)


def direction(
    name: str, written: str | Mapping[str, Any], planes: Sequence[RoomPlane], view: PartView, factor: float
) -> np.ndarray | NotFound:
    """The direction, (3,) unit in the control frame, that ``axes.<name>`` of a job sheet gives; why not where it fails.

    ``name``: "up" or "forward". A plane, a point or three points name the floor, which faces up, or the front wall,
    which faces rearward. ``factor``: what the lengths of raw coordinates are multiplied by.
    """
    if isinstance(written, str):
        return DIRECTIONS[written]
    plane = _plane(name, written, planes, view, factor)
    if isinstance(plane, NotFound):
        return plane
    return plane if name == "up" else -plane


def nearest(name: str, wanted: np.ndarray, axes: np.ndarray, planes: Sequence[RoomPlane]) -> np.ndarray | NotFound:
    """The signed direction among the rows of ``axes`` (k, 3) nearest to ``wanted`` (3,); why none is near enough."""
    cosines = axes @ wanted
    chosen = int(np.argmax(np.abs(cosines)))
    off_deg = float(np.degrees(np.arccos(min(abs(cosines[chosen]), 1.0))))
    found = axes[chosen] * np.sign(cosines[chosen])
    if off_deg <= MOST_DEG:
        return found
    towards = found if name == "up" else -found
    facing = [number for number, plane in enumerate(planes, 1) if plane.normal @ towards > 0.9]
    nearest_plane = f"plane {facing[0]}" if facing else "a direction of the room without a plane"
    return NotFound(
        f"axes.{name} in the job sheet lies {off_deg:.0f} degrees from {nearest_plane}, the nearest it may mean, and "
        f"at most {MOST_DEG:.0f} are allowed; it was not used: {WHAT_TO_DO}"
    )


def _plane(
    name: str, written: Mapping[str, Any], planes: Sequence[RoomPlane], view: PartView, factor: float
) -> np.ndarray | NotFound:
    """Normal into the room, (3,) unit, of the plane that a job sheet names."""
    if "plane" in written:
        if written["plane"] > len(planes):
            return NotFound(
                f"axes.{name} in the job sheet names plane {written['plane']}, and {len(planes)} planes were found; "
                f"it was not used: {WHAT_TO_DO}"
            )
        return planes[written["plane"] - 1].normal
    named = [written["near_mm"]] if "near_mm" in written else written["points_mm"]
    points = in_control_frame(named, written.get("segment"), view, factor)
    if isinstance(points, NotFound):
        return NotFound(f"axes.{name} in the job sheet: {points.reason}")
    if len(points) == 1:
        away = [np.linalg.norm(view.points_mm[plane.rows] - points[0], axis=1).min() for plane in planes]
        if not away or min(away) > NEAR_MM:
            closest = f"{min(away):.0f} mm from plane {int(np.argmin(away)) + 1}" if away else "near no plane"
            return NotFound(
                f"axes.{name} in the job sheet: the point lies {closest}, at most {NEAR_MM:.0f} mm are allowed; it was "
                f"not used: {WHAT_TO_DO}"
            )
        return planes[int(np.argmin(away))].normal
    normal = np.cross(points[1] - points[0], points[2] - points[0])
    longest = max(np.linalg.norm(a - b) for a in points for b in points)
    if np.linalg.norm(normal) < FLAT * longest**2:
        return NotFound(
            f"axes.{name} in the job sheet: the three points lie on a line; it was not used: take three points "
            "that span the plane"
        )
    normal /= np.linalg.norm(normal)
    return normal * (np.sign((np.median(view.points_mm, axis=0) - points[0]) @ normal) or 1.0)


def in_control_frame(
    named: Sequence[Sequence[float]], segment: str | None, view: PartView, factor: float
) -> np.ndarray | NotFound:
    """Raw points of a ``segment``, mm, in the control frame, (n, 3); the only segment's where None."""
    poses = {posed.name: posed.T_frame_segment for posed in view.clouds.segments}
    if segment is None and len(poses) > 1:
        return NotFound(f"a point needs the segment whose coordinates it has ({', '.join(poses)}); it was not used")
    if segment is not None and segment not in poses:
        return NotFound(f"there is no segment '{segment}'; the part has {', '.join(poses)}; it was not used")
    pose = poses[segment] if segment is not None else next(iter(poses.values()))
    return rigid.transform(pose, factor * np.array(named, float))
