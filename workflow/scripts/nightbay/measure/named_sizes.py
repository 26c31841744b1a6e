"""Distances that a job sheet asks for: between points of the surface and planes of a room."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from nightbay.core import plane_fit, rigid
from nightbay.core.errors import NotFound
from nightbay.frame.result import Plane
from nightbay.measure.result import RoomSize
from nightbay.measure.room import state
from nightbay.measure.room_faces import End, Shell

NEAR_PLANE_MM = 60.0  # a point that names a plane lies within this of it and of its bounds
NEAR_SURFACE_MM = 30.0  # a named point lies within this of the surface
PATCH_MM = 30.0  # radius of the surface round a named point that gives its position: a handful of vertices or more
LEAST_POINTS = 6
LIMITS_MM = (10.0, 5.0)  # of the plane through that patch
PARALLEL_DEG = 10.0  # planes that lean more against each other have no distance


def find(shell: Shell, wanted: Sequence[Mapping[str, Any]]) -> tuple[list[RoomSize], list[str]]:
    """The distances of the job sheet's ``sizes``, and a sentence on each that can't be stated."""
    found, notes = [], []
    for number, entry in enumerate(wanted, 1):
        size = _between(shell, f"distance_{number}", entry)
        if isinstance(size, NotFound):
            notes.append(f"The distance '{entry['name']}' of the job sheet can't be stated: {size.reason}.")
        else:
            found.append(size)
    return found, notes


def _between(shell: Shell, key: str, entry: Mapping[str, Any]) -> RoomSize | NotFound:
    """One distance: along the normal of a plane where one is named, else along the line between two points."""
    ends = []
    for side in ("from", "to"):
        end = _end(shell, entry[side])
        if isinstance(end, NotFound):
            return NotFound(f"'{side}': {end.reason}")
        ends.append(end)
    first, second = ends
    if isinstance(first, End) and isinstance(second, End):
        off = second.point_mm - first.point_mm
        if not np.linalg.norm(off) > 0.0:
            return NotFound("both ends are the same point")
        return state(shell, key, entry["name"], "between two points of the surface", (second, first), _unit(off))
    if isinstance(first, Plane) and isinstance(second, Plane):
        lean = float(np.degrees(np.arccos(min(abs(first.normal @ second.normal), 1.0))))
        if lean > PARALLEL_DEG:
            return NotFound(
                f"planes {first.number} and {second.number} lean {lean:.0f} degrees against each other, at most "
                f"{PARALLEL_DEG:.0f} are allowed: name a point on one of them"
            )
        at, plane = first.centre_mm, second
        meaning = f"from the middle of plane {first.number} to plane {second.number}, at right angles to that"
        near = _on_plane(first, at)
    else:
        plane = first if isinstance(first, Plane) else second  # type: ignore[assignment]
        near = first if isinstance(first, End) else second  # type: ignore[assignment]
        at = near.point_mm
        meaning = f"from a point of the surface to plane {plane.number}, at right angles to that"
    foot = at - (at @ plane.normal - plane.offset_mm) * plane.normal
    return state(shell, key, entry["name"], meaning, (near, _on_plane(plane, foot)), plane.normal)


def _end(shell: Shell, named: Mapping[str, Any]) -> Plane | End | NotFound:
    """The plane or the point that an end names."""
    planes = shell.frame.room.planes if shell.frame.room else []
    if "plane" in named:
        if named["plane"] > len(planes):
            return NotFound(f"there is no plane {named['plane']}; {len(planes)} planes were found")
        return planes[named["plane"] - 1]
    segment = named.get("segment") or next(iter(shell.poses))
    if segment not in shell.poses:
        return NotFound(f"there is no segment '{segment}'; the part has {', '.join(shell.poses)}")
    T = shell.frame.T_vehicle_control @ shell.poses[segment].T_control_segment
    raw = np.array([named["near_mm" if "near_mm" in named else "point_mm"]], float)
    point = rigid.transform(T, shell.scale.factor * raw)[0]
    return _nearest_plane(planes, point) if "near_mm" in named else _surface_point(shell, point)


def _nearest_plane(planes: Sequence[Plane], point_mm: np.ndarray) -> Plane | NotFound:
    """The plane nearest to a point (3,) among those whose bounds hold it."""
    holding = [
        (abs(float(plane.normal @ point_mm) - plane.offset_mm), plane.number, plane)
        for plane in planes
        if np.all((point_mm > plane.low_mm - NEAR_PLANE_MM) & (point_mm < plane.high_mm + NEAR_PLANE_MM))
    ]
    away = min(holding, default=(np.inf, 0, None))
    if away[2] is None or away[0] > NEAR_PLANE_MM:
        return NotFound(f"no plane lies within {NEAR_PLANE_MM:.0f} mm of the point; name it by its number on the page")
    return away[2]


def _surface_point(shell: Shell, point_mm: np.ndarray) -> End | NotFound:
    """The point of the surface nearest to a named point (3,), on a plane through the surface round it."""
    away = np.linalg.norm(shell.points_mm - point_mm, axis=1)
    nearest = int(np.argmin(away))
    if away[nearest] > NEAR_SURFACE_MM:
        return NotFound(
            f"the point lies {away[nearest]:.0f} mm from the surface, at most {NEAR_SURFACE_MM:.0f} are allowed: give "
            "raw coordinates of the segment, in mm"
        )
    facing = shell.normals[nearest]
    patch = (np.linalg.norm(shell.points_mm - shell.points_mm[nearest], axis=1) < PATCH_MM) & (
        shell.normals @ facing > 0.7
    )
    if patch.sum() < LEAST_POINTS:
        return NotFound("too little surface was scanned round the point")
    start = shell.points_mm[patch].mean(axis=0)
    normal, offset_mm, sd_mm, _ = plane_fit.fit(shell.points_mm[patch], facing, start, LIMITS_MM)
    if not np.isfinite(sd_mm):
        sd_mm = float(np.std(shell.points_mm[patch] @ normal - offset_mm))
    causes = {"noise": shell.scan.noise_mm / np.sqrt(patch.sum()), "flatness": sd_mm}
    return End(point_mm - (point_mm @ normal - offset_mm) * normal, causes)


def _on_plane(plane: Plane, point_mm: np.ndarray) -> End:
    """A point of a plane, with the uncertainty of the plane there: its position and its tilt by the distance."""
    lever = float(np.linalg.norm(point_mm - plane.centre_mm))
    tilt = np.radians(plane.tilt_sd_deg) if plane.tilt_sd_deg is not None else 0.0
    sd = plane.sd_mm if plane.sd_mm is not None else plane.flatness_rms_mm
    return End(point_mm, {"flatness": float(np.hypot(sd, lever * tilt))}, plane.number)


def _unit(vector: np.ndarray) -> np.ndarray:
    return vector / np.linalg.norm(vector)
