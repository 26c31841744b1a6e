"""The left side of a vehicle against the mirror image of its right side."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from nightbay import robust

ALIKE = 0.7  # cosine between a normal and the mirrored one: within 45 degrees
MOST = 400_000  # points of one side that are compared


@dataclass(frozen=True)
class Comparison:
    """``points_mm`` (k, 3) of the left side, and how far it stands out beyond the right one's image, ``deviation_mm``

    (k,), NaN where the right side shows nothing within ``limit_mm``.
    """

    points_mm: np.ndarray
    deviation_mm: np.ndarray
    limit_mm: float


def compare(vertices_mm, normals, left, spacing_mm, limit_mm, threads=1):
    """Deviation of the left side from the mirrored right side about Y = 0.

    ``vertices_mm`` (n, 3) with unit ``normals`` (n, 3); ``left`` is the sign of Y there; both sides are thinned to
    ``spacing_mm``, or coarser so that at most :data:`MOST` points are compared.
    """
    sides = []
    for sign in (left, -left):
        rows = np.flatnonzero(sign * vertices_mm[:, 1] > 0.0)
        points = vertices_mm[rows].astype(np.float64)
        wide = spacing_mm
        chosen = robust.thin(points, wide)
        while len(chosen) > MOST:
            wide *= np.sqrt(2.0)
            chosen = robust.thin(points, wide)
        flip = np.array([1.0, sign * left, 1.0])
        sides.append((points[chosen] * flip, normals[rows[chosen]] * flip, wide))
    (points, facing, wide_left), (image, image_facing, wide_right) = sides
    deviation = np.full(len(points), np.nan)
    if len(points) and len(image):
        reach = np.hypot(limit_mm, 1.5 * max(wide_left, wide_right))
        distance, partner = cKDTree(image).query(points, distance_upper_bound=reach, workers=threads)
        rows = np.flatnonzero(np.isfinite(distance))
        partner = partner[rows]
        alike = np.einsum("ij,ij->i", facing[rows], image_facing[partner]) > ALIKE
        rows, partner = rows[alike], partner[alike]
        along = np.einsum("ij,ij->i", image_facing[partner], points[rows] - image[partner])
        near = np.abs(along) <= limit_mm
        deviation[rows[near]] = along[near]
    return Comparison(points, deviation, float(limit_mm))


def summary(comparison):
    """Numbers of a comparison for the JSON; None where the sides share nothing."""
    seen = comparison.deviation_mm[np.isfinite(comparison.deviation_mm)]
    if not len(seen):
        return None
    size = np.abs(seen)
    return {
        "compared": int(len(seen)),
        "without_partner": float(1.0 - len(seen) / len(comparison.deviation_mm)),
        "limit_mm": comparison.limit_mm,
        "mean_mm": float(seen.mean()),
        "median_mm": float(np.median(seen)),
        "rms_mm": float(np.sqrt(np.mean(seen**2))),
        "abs_95_mm": float(np.percentile(size, 95.0)),
        "abs_max_mm": float(size.max()),
    }
