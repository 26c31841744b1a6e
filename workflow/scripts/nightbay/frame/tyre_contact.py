"""The plane on which the tyres stand, for a vehicle whose ground was not scanned."""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from scipy.spatial import ConvexHull

from nightbay.core.errors import NotFound
from nightbay.frame import axles, datum, symmetry
from nightbay.frame.ground_plane import GroundPlane
from nightbay.frame.part_view import PartView

TRIES = 6  # longest edges of the side view's outline that are tried as the line on which the wheels stand
SHORTEST = 0.25  # of the vehicle's length, for such an edge: a wheelbase is longer
STRIP_MM = 80.0  # half the length of tyre, about its lowest point, that is looked at
TYRE_MM = 280.0  # widest tyre of a car, taken where one of its side faces was not seen (common practice, no source)
BESIDE_MM = 20.0  # bulge of a tyre beyond its side faces near the ground (common practice, no source)
# A scanner does not see the lowest part of a tyre above the floor: about that much (common practice, no source).
UNSEEN_MM = 10.0
TILT_SHARE = 0.1  # share of UNSEEN_MM by which both ends may differ (common practice, no source)
LOWEST_PERCENT = (
    1.0  # share of a tyre's points whose mean is its lowest point: a single one would have all of its noise
)
TYRE_SPACING_MM = 2.0  # points of a tyre are thinned to this


def find(view: PartView) -> GroundPlane | NotFound:
    """The tyres' contact plane, or why there is none.

    The symmetry plane gives the side view. Nothing of a vehicle reaches below its tyres, so the line on which they
    stand is an edge of the side view's convex hull: the one above which most wheels are found.
    """
    mirror = _free_mirror(view)
    if isinstance(mirror, NotFound):
        return mirror
    along = symmetry.guesses(view.points_mm - np.outer(view.points_mm @ mirror.normal, mirror.normal))[0]
    best = None
    for plane in _candidates(view.points_mm, along, np.cross(mirror.normal, along)):
        standing = datum.level(plane, view.points_mm, np.cross(mirror.normal, plane.normal))
        standing.across = mirror.normal * np.sign(mirror.normal @ standing.across)
        standing.zero_mm = standing.zero_mm - (standing.zero_mm @ mirror.normal - mirror.offset_mm) * mirror.normal
        standing.planes["y"] = replace(standing.planes["y"], found_by="symmetry plane of the part")
        axles.find(standing, view)
        if best is None or len(standing.wheels) > len(best.wheels):
            best = standing
    if best is None or len(best.axles) < 2:
        return NotFound("fewer than two axles were found on the plane below the scan")
    return of_wheels(best, view)


def of_wheels(standing: datum.Datum, view: PartView) -> GroundPlane:
    """The plane through the lowest points of the tyres of the wheels that were found."""
    return _plane(standing, _lowest_points(standing, view), view.names)


def _free_mirror(view: PartView) -> symmetry.Plane | NotFound:
    """The best symmetry plane among those near the principal directions, or why there is none."""
    directions = symmetry.guesses(view.points_mm)
    found = []
    for at, across in enumerate(directions):
        others = np.delete(directions, at, axis=0)
        found.append(datum.mirror_plane(view, others[0], across, others))
    planes = [plane for plane in found if not isinstance(plane, NotFound)]
    return max(planes, key=lambda plane: plane.share) if planes else found[1]


def _candidates(points_mm: np.ndarray, along: np.ndarray, up: np.ndarray) -> Iterator[GroundPlane]:
    """Planes through the longest edges of the side view's convex hull, with everything above them."""
    view = np.column_stack([points_mm @ along, points_mm @ up])
    corners = view[ConvexHull(view).vertices]  # anticlockwise: the inside lies to the left of each edge
    edges = np.roll(corners, -1, axis=0) - corners
    lengths = np.linalg.norm(edges, axis=1)
    for at in np.argsort(-lengths, kind="stable")[:TRIES]:
        if lengths[at] < SHORTEST * np.ptp(view[:, 0]):
            return
        inward = np.array([-edges[at][1], edges[at][0]]) / lengths[at]
        normal = inward[0] * along + inward[1] * up
        yield GroundPlane(
            normal, float(inward @ corners[at]), 0.0, 0.0, None, 0.0, points_mm.mean(axis=0), [], "tyre contact"
        )


def _lowest_points(standing: datum.Datum, view: PartView) -> np.ndarray:
    """The lowest point of each wheel's tyre in the level frame, (k, 3) mm."""
    T_level_control = standing.T_level_control
    points = []
    for wheel in standing.wheels:
        x, y, z = wheel.axle_mm
        faces = wheel.faces_mm
        faces = np.nan_to_num(np.where(np.isnan(faces), faces[::-1] + (-TYRE_MM, TYRE_MM), faces))
        near, far = sorted(y + np.sign(wheel.axle[1]) * (faces + (-BESIDE_MM, BESIDE_MM)))
        low_mm, high_mm = np.array([x - STRIP_MM, near, -z]), np.array([x + STRIP_MM, far, 0.5 * z])
        tyre, _ = view.clouds.box(T_level_control, low_mm, high_mm, TYRE_SPACING_MM)
        low = tyre[tyre[:, 2] <= np.percentile(tyre[:, 2], LOWEST_PERCENT)]
        points.append([x, low[:, 1].mean(), low[:, 2].mean()])
    return np.array(points)


def _plane(standing: datum.Datum, points: np.ndarray, names: list[str]) -> GroundPlane:
    """The plane through the tyres' lowest ``points`` (k, 3) mm, level frame, by least squares, in the control frame.

    ``names`` of the part's segments.
    """
    both_sides = len({wheel.side for wheel in standing.wheels}) > 1
    rows = np.column_stack([np.ones(len(points)), points[:, :2]])[:, : 3 if both_sides else 2]
    solution, *_ = np.linalg.lstsq(rows, points[:, 2], rcond=None)
    misfit = points[:, 2] - rows @ solution
    redundancy = len(points) - rows.shape[1]
    scatter = float(np.sqrt((misfit**2).sum() / redundancy)) if redundancy else None
    slope = np.append(solution[1:], 0.0)[:2]
    normal = np.array([-slope[0], -slope[1], 1.0])
    T = standing.T_level_control
    point = T[:3, :3].T @ (np.array([0.0, 0.0, solution[0]]) - T[:3, 3])
    normal = T[:3, :3].T @ (normal / np.linalg.norm(normal))
    own = (scatter or 0.0) / np.sqrt(len(points))
    # what is out of sight is alike at all wheels and does not average; rectangular: half-width / sqrt(3)
    sd = float(np.hypot(own, UNSEEN_MM / np.sqrt(3.0)))
    half_track = np.ptp(points[:, 1]) / 2 if both_sides else np.inf
    tilt = float(max(own, TILT_SHARE * UNSEEN_MM) / min(np.ptp(points[:, 0]) / 2, half_track))
    return GroundPlane(normal, float(normal @ point), sd, tilt, scatter, UNSEEN_MM, point, list(names), "tyre contact")
