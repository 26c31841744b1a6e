"""How a feature of each kind is taken from the points of its region: which points it is fitted to, and the fit."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from nightbay.core import plane_fit
from nightbay.core.errors import NotFound
from nightbay.features import consensus, rims
from nightbay.features.region import LEAST_POINTS, Region, Sample
from nightbay.fitting.circle import circle, flat_circle
from nightbay.fitting.cylinder import cylinder
from nightbay.fitting.line import line
from nightbay.fitting.plane import Plane, plane
from nightbay.fitting.sphere import sphere

# parameters of a feature: its point (mm), its direction (unit, zeros where it has none), its radius (mm, 0 if none)
POINT, DIRECTION, RADIUS = slice(0, 3), slice(3, 6), 6
SIZE = 7
MIDDLE_SHARE = 0.5  # a hole's middle lies within that share of the region's reach
UPRIGHT = 0.35  # a wall leans less than 20 degrees against the axis
PATCH_POINTS = 3 * LEAST_POINTS  # nearest points of a face that give a single point's place on it

Points = tuple[np.ndarray, ...]
Estimate = Callable[[Points], np.ndarray | NotFound]


@dataclass(frozen=True)
class Selection:
    """What a feature is fitted to.

    ``points_mm``: points (n, 3) of each of its pieces (a face, a rim), with the row of each one's segment in
    ``segments``, (n,) each; ``estimate``: its parameters (7,) from such points; ``residuals``: the points' distances
    (n,) mm from it; ``edge``: covariance (7, 7) of what the points' spacing leaves open at a rim.
    """

    points_mm: Points
    segments: Points
    estimate: Estimate
    residuals: Callable[[np.ndarray], np.ndarray]
    edge: np.ndarray

    @property
    def count(self) -> int:
        """Number of its points, those of rims among them."""
        return sum(len(points) for points in self.points_mm)


def select(
    kind: str, sample: Sample, where: Region, direction: np.ndarray | None, noise_mm: float
) -> Selection | NotFound:
    """The points of a sample that show a feature of a ``kind``, or the reason why they show none.

    ``direction`` (3,) unit: where its face looks to, or its axis, roughly; searched where None.
    """
    if kind == "sphere":
        return _sphere(sample, noise_mm)
    if kind == "cylinder":
        return _cylinder(sample, where, direction, noise_mm)
    rows = consensus.face(sample, noise_mm, direction)
    if isinstance(rows, NotFound):
        return rows
    face = sample[rows]
    if kind == "plane":
        return _plane(face, where, noise_mm)
    if kind == "point":
        return _plane(_nearest(face, where.middle_mm), where, noise_mm)
    if kind == "hub":
        return _hub(sample, face, noise_mm)
    return _edged(kind, face, where, noise_mm)


def _outward(found: Plane, face: Sample) -> np.ndarray:
    """The plane's normal (3,) on the side that its points look to."""
    return found.normal * (1.0 if float(face.normals.mean(axis=0) @ found.normal) > 0.0 else -1.0)


def _nearest(face: Sample, at_mm: np.ndarray) -> Sample:
    """The points of a face round a place on it."""
    away = np.linalg.norm(face.points_mm - at_mm, axis=1)
    return face[np.sort(np.argsort(away, kind="stable")[:PATCH_POINTS])]


def _plane(face: Sample, where: Region, noise_mm: float) -> Selection | NotFound:
    fitted = plane(face.points_mm, noise_mm)
    if isinstance(fitted, NotFound):
        return fitted
    outward, middle = _outward(fitted, face), where.middle_mm

    def estimate(points: Points) -> np.ndarray | NotFound:
        found = plane(points[0], noise_mm)
        if isinstance(found, NotFound):
            return found
        normal = found.normal * np.sign(found.normal @ outward)
        return np.concatenate([middle - ((middle - found.point_mm) @ normal) * normal, normal, [0.0]])

    def residuals(parameters: np.ndarray) -> np.ndarray:
        return (face.points_mm - parameters[POINT]) @ parameters[DIRECTION]

    return Selection((face.points_mm,), (face.segment,), estimate, residuals, np.zeros((SIZE, SIZE)))


def _sphere(sample: Sample, noise_mm: float) -> Selection | NotFound:
    rows = consensus.ball(sample, noise_mm)
    if isinstance(rows, NotFound):
        return rows
    chosen = sample[rows]

    def estimate(points: Points) -> np.ndarray | NotFound:
        found = sphere(points[0], noise_mm)
        if isinstance(found, NotFound):
            return found
        return np.concatenate([found.centre_mm, np.zeros(3), [found.radius_mm]])

    def residuals(parameters: np.ndarray) -> np.ndarray:
        return np.linalg.norm(chosen.points_mm - parameters[POINT], axis=1) - parameters[RADIUS]

    return Selection((chosen.points_mm,), (chosen.segment,), estimate, residuals, np.zeros((SIZE, SIZE)))


def _cylinder(sample: Sample, where: Region, direction: np.ndarray | None, noise_mm: float) -> Selection | NotFound:
    rows = consensus.round_face(sample, noise_mm, direction)
    if isinstance(rows, NotFound):
        return rows
    chosen = sample[rows]
    first = cylinder(chosen.points_mm, noise_mm, direction)
    if isinstance(first, NotFound):
        return first
    axis = first.direction if direction is None else first.direction * np.sign(first.direction @ direction)

    def estimate(points: Points) -> np.ndarray | NotFound:
        found = cylinder(points[0], noise_mm, axis)
        if isinstance(found, NotFound):
            return found
        along = found.direction * np.sign(found.direction @ axis)
        foot = found.point_mm + ((where.middle_mm - found.point_mm) @ along) * along
        return np.concatenate([foot, along, [found.radius_mm]])

    def residuals(parameters: np.ndarray) -> np.ndarray:
        radial = chosen.points_mm - parameters[POINT]
        radial = radial - np.outer(radial @ parameters[DIRECTION], parameters[DIRECTION])
        return np.linalg.norm(radial, axis=1) - parameters[RADIUS]

    return Selection((chosen.points_mm,), (chosen.segment,), estimate, residuals, np.zeros((SIZE, SIZE)))


def _hub(sample: Sample, face: Sample, noise_mm: float) -> Selection | NotFound:
    """The face of a hub and the wall of its spigot, bore or rim: the axis is upright to the face."""
    fitted = plane(face.points_mm, noise_mm)
    if isinstance(fitted, NotFound):
        return fitted
    outward = _outward(fitted, face)
    walls = sample[np.flatnonzero(np.abs(sample.normals @ outward) < UPRIGHT)]
    rows = consensus.round_face(walls, noise_mm, outward)
    if isinstance(rows, NotFound):
        return NotFound(f"its face was found, but no wall round its axis: {rows.reason}")
    wall = walls[rows]

    def residuals(parameters: np.ndarray) -> np.ndarray:
        return (face.points_mm - parameters[POINT]) @ parameters[DIRECTION]

    zero = np.zeros((SIZE, SIZE))
    estimate = _circle_estimate(noise_mm, outward)
    return Selection((face.points_mm, wall.points_mm), (face.segment, wall.segment), estimate, residuals, zero)


def _edged(kind: str, face: Sample, where: Region, noise_mm: float) -> Selection | NotFound:
    """Holes, mounts, discs and straight edges: a face, and where it ends."""
    fitted = plane(face.points_mm, noise_mm)
    if isinstance(fitted, NotFound):
        return fitted
    outward = _outward(fitted, face)
    across = np.array(plane_fit.across(fitted.normal))
    flat = (face.points_mm - fitted.point_mm) @ across.T
    near = (where.middle_mm - fitted.point_mm) @ across.T
    if kind == "line":
        rim = rims.straight(flat, near)
    elif kind == "circle":
        rim = rims.disc(flat)
    else:
        rim = rims.hole(flat, near, MIDDLE_SHARE * where.reach_mm)
    if isinstance(rim, NotFound):
        return rim
    rim_points = face.points_mm[rim.rows] + (rim.points_mm - flat[rim.rows]) @ across
    edge = np.zeros((SIZE, SIZE))
    estimate = _line_estimate(noise_mm, outward, where) if kind == "line" else _circle_estimate(noise_mm, outward)
    if kind == "line":
        first = line(rim_points, noise_mm)
        if isinstance(first, NotFound):
            return first
        inwards = np.cross(first.direction, outward)
        edge[POINT, POINT] = rim.gap_sd_mm**2 * np.outer(inwards, inwards)
    else:
        edge[RADIUS, RADIUS] = rim.gap_sd_mm**2

    def residuals(parameters: np.ndarray) -> np.ndarray:
        if kind == "line":
            return (face.points_mm - parameters[POINT]) @ outward
        return (face.points_mm - parameters[POINT]) @ parameters[DIRECTION]

    segments = (face.segment, face.segment[rim.rows])
    return Selection((face.points_mm, rim_points), segments, estimate, residuals, edge)


def _circle_estimate(noise_mm: float, outward: np.ndarray) -> Estimate:
    """The fit of a face and of points that are a circle when they are seen at right angles to it."""

    def estimate(points: Points) -> np.ndarray | NotFound:
        found = plane(points[0], noise_mm)
        if isinstance(found, NotFound):
            return found
        seen = circle(points[1], noise_mm, found)
        if isinstance(seen, NotFound):
            return seen
        normal = found.normal * np.sign(found.normal @ outward)
        return np.concatenate([seen.centre_mm, normal, [seen.radius_mm]])

    return estimate


def _line_estimate(noise_mm: float, outward: np.ndarray, where: Region) -> Estimate:
    def estimate(points: Points) -> np.ndarray | NotFound:
        found = plane(points[0], noise_mm)
        if isinstance(found, NotFound):
            return found
        normal = found.normal * np.sign(found.normal @ outward)
        # the edge in the face's plane: noise of single points across it does not count
        flat = points[1] - np.outer((points[1] - found.point_mm) @ normal, normal)
        seen = line(flat, noise_mm)
        if isinstance(seen, NotFound):
            return seen
        foot = seen.point_mm + ((where.middle_mm - seen.point_mm) @ seen.direction) * seen.direction
        return np.concatenate([foot, seen.direction, [0.0]])

    return estimate


def pattern(holes: Sequence[np.ndarray]) -> np.ndarray | NotFound:
    """Parameters (7,) of the pitch circle through the centres of holes with parameters (7,), three or more."""
    centres = np.array([hole[POINT] for hole in holes])
    normal = np.mean([hole[DIRECTION] for hole in holes], axis=0)
    normal = normal / np.linalg.norm(normal)
    across = np.array(plane_fit.across(normal))
    middle = centres.mean(axis=0)
    found = flat_circle((centres - middle) @ across.T, 0.0)
    if isinstance(found, NotFound):
        return NotFound(f"the holes do not lie on a circle ({found.reason})")
    return np.concatenate([middle + found.centre_mm @ across, normal, [found.radius_mm]])


def wanted(entry: Mapping[str, Any]) -> np.ndarray | None:
    """Unit direction (3,) that an entry of the job sheet gives, None where it gives none."""
    if "direction" not in entry:
        return None
    direction = np.array(entry["direction"], float)
    return direction / np.linalg.norm(direction)
