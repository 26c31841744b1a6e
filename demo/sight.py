"""What a scanner sees from a viewpoint: angle, depth and incidence of its view, and what hides a point."""

from typing import Any

import numpy as np
from scipy.spatial import cKDTree

import bodies
import viewpoints as paths

VIEW_DEG = 24.0  # half the angle of view
DEEPEST_MM = 750.0
STEEPEST_COS = 0.26  # beyond an incidence of 75 degrees nothing comes back
FACE_MM = 60.0  # faces are cut to that size: what sees the middle of one sees nearly all of it
VIEWS_A_FACE = 6


def candidates(scene: bodies.Body, views: paths.Viewpoints, caster: Any) -> tuple[np.ndarray, np.ndarray]:
    """Viewpoints that see the middle of each face, at most VIEWS_A_FACE of the nearest: (m, k) int32, count (m,)."""
    a, ab, ac, normal, _ = bodies.geometry(scene)
    middle = a + (ab + ac) / 3
    tried = min(4 * VIEWS_A_FACE, len(views))
    within, _ = cKDTree(views.position_mm).query(middle, distance_upper_bound=DEEPEST_MM, workers=-1)
    faces = np.flatnonzero(np.isfinite(within))  # of most faces a run is on the other side
    middle, normal = middle[faces], normal[faces]
    near = cKDTree(views.aim_mm).query(middle, tried, workers=-1)[1].reshape(len(faces), tried)
    good, count = np.zeros(near.shape, bool), np.zeros(len(faces), np.int64)
    rows = np.arange(len(faces))
    for at in range(tried):
        rows = rows[count[rows] < VIEWS_A_FACE]
        view = near[rows, at]
        _, _, fit = in_view(views, view, middle[rows], normal[rows])
        met, view = rows[fit], view[fit]
        good[met, at] = seen(caster, views.position_mm[view], middle[met])
        count[met] += good[met, at]
    order = np.argsort(~good, axis=1, kind="stable")[:, :VIEWS_A_FACE]
    chosen, counts = np.zeros((len(within), order.shape[1]), np.int32), np.zeros(len(within), np.int64)
    chosen[faces], counts[faces] = np.take_along_axis(near, order, axis=1), count
    return chosen, counts


def in_view(
    views: paths.Viewpoints, view: np.ndarray, xyz_mm: np.ndarray, normal: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Unit beam (n, 3) and cosine of the incidence (n,) of points seen from the viewpoints numbered ``view``, (n,).

    The third result, (n,) bool, says whether a point lies in the angle of view, not too far off and not too steep.
    """
    beam = xyz_mm - views.position_mm[view]
    depth = np.linalg.norm(beam, axis=1)
    beam /= depth[:, None]
    cosine = np.abs(np.einsum("ij,ij->i", beam, normal))
    ahead = np.einsum("ij,ij->i", beam, views.axis[view])
    return beam, cosine, (ahead > np.cos(np.radians(VIEW_DEG))) & (depth < DEEPEST_MM) & (cosine > STEEPEST_COS)


def seen(caster: Any, position_mm: np.ndarray, xyz_mm: np.ndarray) -> np.ndarray:
    """Whether nothing hides the points, (n, 3), from their viewpoints, (n, 3): (n,) bool."""
    beam = xyz_mm - position_mm
    depth = np.linalg.norm(beam, axis=1)
    hit, _ = paths.cast(caster, position_mm, beam / depth[:, None])
    return hit > depth - 0.5
