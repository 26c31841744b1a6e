"""The left side of a vehicle against the mirror image of its right side."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from nightbay.core import thinning
from nightbay.measure.result import Symmetry
from nightbay.meshes.surface import spans

ALIKE = 0.7  # least cosine between a normal and the mirrored one, about 45 degrees. Common practice, no source.
MOST = 400_000  # points of one side that are compared: this project's choice, for memory
ROW = np.dtype([("points_mm", "<f4", 3), ("deviation_mm", "<f4")])


@dataclass(frozen=True)
class Comparison:
    """``points_mm`` (k, 3) of the left side, and how far it projects beyond the mirror image of the right one,
    ``deviation_mm`` (k,), NaN where the right side shows nothing within ``limit_mm``."""

    points_mm: np.ndarray
    deviation_mm: np.ndarray
    limit_mm: float


@dataclass(frozen=True)
class Side:
    """Some points of one side, ``points_mm`` (k, 3) float64 with unit ``normals`` (k, 3), ``spacing_mm`` apart."""

    points_mm: np.ndarray
    normals: np.ndarray
    spacing_mm: float


def thinned(vertices_mm: np.ndarray, chosen: np.ndarray, spacing_mm: float) -> tuple[np.ndarray, float]:
    """Rows of some of the vertices, (n, 3), that are ``chosen``, (n,) bool, and how far apart they lie, mm:
    ``spacing_mm``, or more so that there are at most :data:`MOST`."""
    while True:
        near = [
            _thinned(vertices_mm, np.flatnonzero(chosen[part]) + part.start, spacing_mm) for part in spans(len(chosen))
        ]
        rows = _thinned(vertices_mm, np.concatenate(near or [np.empty(0, np.int64)]), spacing_mm)
        if len(rows) <= MOST:
            return rows, spacing_mm
        spacing_mm *= np.sqrt(2.0)


def _thinned(vertices_mm, rows, spacing_mm):
    return np.sort(rows[thinning.thin(vertices_mm[rows], spacing_mm)])


def compare(left: Side, right: Side, limit_mm: float, threads: int = 1) -> Comparison:
    """Deviation of the left side from the mirror image of the right one about Y = 0, where that is within
    ``limit_mm``."""
    flip = np.array([1.0, -1.0, 1.0])
    image, image_facing = right.points_mm * flip, right.normals * flip
    deviation = np.full(len(left.points_mm), np.nan)
    if len(left.points_mm) and len(image):
        reach = np.hypot(limit_mm, 1.5 * max(left.spacing_mm, right.spacing_mm))
        distance, partner = cKDTree(image).query(left.points_mm, distance_upper_bound=reach, workers=threads)
        rows = np.flatnonzero(np.isfinite(distance))
        partner = partner[rows]
        alike = np.einsum("ij,ij->i", left.normals[rows], image_facing[partner]) > ALIKE
        rows, partner = rows[alike], partner[alike]
        along = np.einsum("ij,ij->i", image_facing[partner], left.points_mm[rows] - image[partner])
        near = np.abs(along) <= limit_mm
        deviation[rows[near]] = along[near]
    return Comparison(left.points_mm, deviation, float(limit_mm))


def rows(comparison: Comparison) -> np.ndarray:
    """A comparison for the data file, (k,) of :data:`ROW`."""
    found = np.empty(len(comparison.points_mm), ROW)
    found["points_mm"], found["deviation_mm"] = comparison.points_mm, comparison.deviation_mm
    return found


def summary(comparison: Comparison) -> Symmetry | None:
    """Numbers of a comparison for the JSON; None where the sides share nothing."""
    seen = comparison.deviation_mm[np.isfinite(comparison.deviation_mm)]
    if not len(seen):
        return None
    size = np.abs(seen)
    return Symmetry(
        compared=int(len(seen)),
        without_partner=float(1.0 - len(seen) / len(comparison.deviation_mm)),
        limit_mm=comparison.limit_mm,
        mean_mm=float(seen.mean()),
        median_mm=float(np.median(seen)),
        rms_mm=float(np.sqrt(np.mean(seen**2))),
        abs_95_mm=float(np.percentile(size, 95.0)),
        abs_max_mm=float(size.max()),
    )
