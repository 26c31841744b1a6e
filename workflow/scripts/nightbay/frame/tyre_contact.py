"""The plane on which the tyres stand, for a vehicle whose ground was not scanned."""

from dataclasses import replace

import numpy as np
from scipy.spatial import ConvexHull

from nightbay.frame import axles, datum, symmetry
from nightbay.frame.ground_plane import GroundPlane

TRIES = 6  # longest edges of the side view's outline that are tried as the line on which the wheels stand
SHORTEST = 0.25  # of the vehicle's length, for such an edge: a wheelbase is longer
STRIP_MM = 80.0  # half the length of tyre, about its lowest point, that is looked at
TYRE_MM = 280.0  # widest tyre of a car (common practice, no source), where one of its side faces was not seen
BESIDE_MM = 20.0  # what a tyre bulges beyond its side faces where it stands (common practice, no source)
# The last of a tyre above the floor is out of a scanner's sight: about that much (common practice, no source).
UNSEEN_MM = 10.0
TILT_SHARE = 0.1  # of it may differ from one end to the other


def find(seen):
    """The tyres' contact plane as a :class:`GroundPlane`, or the reason why there is none (str).

    The symmetry plane gives the side view; nothing of a vehicle reaches below its tyres, so the line on which they
    stand is an edge of the side view's convex hull, the one above which wheels are found.
    """
    mirror = _free_mirror(seen)
    if isinstance(mirror, str):
        return mirror
    along = symmetry.guesses(seen.points_mm - np.outer(seen.points_mm @ mirror.normal, mirror.normal))[0]
    best = None
    for plane in _candidates(seen.points_mm, along, np.cross(mirror.normal, along)):
        standing = datum.level(plane, seen.points_mm, np.cross(mirror.normal, plane.normal))
        standing.across = mirror.normal * np.sign(mirror.normal @ standing.across)
        standing.zero_mm = standing.zero_mm - (standing.zero_mm @ mirror.normal - mirror.offset_mm) * mirror.normal
        standing.planes["y"] = replace(standing.planes["y"], found_by="symmetry plane of the part")
        axles.find(standing, seen)
        if best is None or len(standing.wheels) > len(best.wheels):
            best = standing
    if best is None or len(best.axles) < 2:
        return "no two axles show on what the scan stands on"
    return _plane(best, seen)


def _free_mirror(seen):
    """The best symmetry plane among those near the principal directions, or the reason why there is none (str)."""
    directions = symmetry.guesses(seen.points_mm)
    found = []
    for at, across in enumerate(directions):
        others = np.delete(directions, at, axis=0)
        found.append(datum.mirror_plane(seen, others[0], across, others))
    planes = [one for one in found if not isinstance(one, str)]
    return max(planes, key=lambda one: one.share) if planes else found[1]


def _candidates(points_mm, along, up):
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


def _plane(standing, seen):
    """The plane through the wheels' lowest points."""
    places = []
    for wheel in standing.wheels:
        x, y, z = wheel.axle_mm
        faces = wheel.faces_mm
        faces = np.nan_to_num(np.where(np.isnan(faces), faces[::-1] + (-TYRE_MM, TYRE_MM), faces))
        near, far = sorted(y + np.sign(wheel.axle[1]) * (faces + (-BESIDE_MM, BESIDE_MM)))
        tyre, _ = seen.clouds.box(standing.T_level_control, (x - STRIP_MM, near, -z), (x + STRIP_MM, far, 0.5 * z), 2.0)
        low = tyre[tyre[:, 2] <= np.percentile(tyre[:, 2], 1.0)]
        places.append([x, low[:, 1].mean(), low[:, 2].mean()])
    places = np.array(places)
    both_sides = len({wheel.side for wheel in standing.wheels}) > 1
    rows = np.column_stack([np.ones(len(places)), places[:, :2]])[:, : 3 if both_sides else 2]
    solution, *_ = np.linalg.lstsq(rows, places[:, 2], rcond=None)
    misfit = places[:, 2] - rows @ solution
    free = len(places) - rows.shape[1]
    scatter = float(np.sqrt((misfit**2).sum() / free)) if free else None
    slope = np.append(solution[1:], 0.0)[:2]
    normal = np.array([-slope[0], -slope[1], 1.0])
    T = standing.T_level_control
    point = T[:3, :3].T @ (np.array([0.0, 0.0, solution[0]]) - T[:3, 3])
    normal = T[:3, :3].T @ (normal / np.linalg.norm(normal))
    # what is unseen is alike at all wheels and does not average; rectangular: half-width / sqrt(3)
    own = (scatter or 0.0) / np.sqrt(len(places))
    sd = float(np.hypot(own, UNSEEN_MM / np.sqrt(3.0)))
    half_track = np.ptp(places[:, 1]) / 2 if both_sides else np.inf
    return GroundPlane(
        normal,
        float(normal @ point),
        sd,
        float(max(own, TILT_SHARE * UNSEEN_MM) / min(np.ptp(places[:, 0]) / 2, half_track)),
        scatter,
        UNSEEN_MM,
        point,
        list(seen.names),
        "tyre contact",
    )
