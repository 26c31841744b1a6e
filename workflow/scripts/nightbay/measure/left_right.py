"""The left side of a vehicle against the mirror image of its right side: where they differ, and what is significant."""

from dataclasses import dataclass

import numpy as np

from nightbay.comparison import changes, deviation, surface_fit
from nightbay.comparison.changes import Changes, Compared, Options
from nightbay.core import rigid
from nightbay.measure.area_list import listed
from nightbay.measure.measured_shape import MeasuredShape
from nightbay.measure.result import Symmetry
from nightbay.uncertainty import registration

ROW = np.dtype([("points_mm", "<f4", 3), ("deviation_mm", "<f4"), ("area", "<i4")])
FLIP = np.array([1.0, -1.0, 1.0])
MIRROR_PLANE = (True, False, True, False, True, False)  # a mirror plane turns about X and Z and shifts along Y
REACHES = (1.0, 0.4, 0.15)  # of the limit, of the fit of the mirror plane


@dataclass(frozen=True)
class SideComparison:
    """``compared``: points of the left side with how far they project beyond the mirror image of the right one; its
    ``changes``; ``limit_mm``, beyond which a point has no counterpart; ``refitted_mm``: how far the mirror plane was
    moved from Y = 0 where the points are, at most, None where their shapes do not determine it and it was kept."""

    compared: Compared
    changes: Changes
    limit_mm: float
    refitted_mm: float | None


def compare(shape: MeasuredShape, left: float, limit_mm: float, options: Options, threads: int = 1) -> SideComparison:
    """Compare the left side, where ``left`` * Y is positive, with the mirror image of the right one.

    The plane is fitted to both sides, robustly, so that a dent does not tilt it; it starts from Y = 0. Deviations are
    along the normal of the right side, within ``limit_mm``.
    """
    clusters = shape.clusters
    y = left * clusters.points_mm[:, 1]
    rows = np.flatnonzero(clusters.measured & (y > 0.0))
    own = shape.sheet(clusters.measured & (y > 0.0))
    image = surface_fit.Sheet(own.points_mm * FLIP, own.normals * FLIP, own.spacing_mm)
    opposite = shape.sheet(clusters.measured & (y < limit_mm))
    fit = None
    if len(own.points_mm) and len(opposite.points_mm):
        reaches_mm = [share * limit_mm for share in REACHES]
        fit = surface_fit.fit(image, opposite, reaches_mm, free=MIRROR_PLANE, threads=threads)
    T = np.eye(4) if fit is None else fit.T_target_points
    points, normals = clusters.points_mm[rows], clusters.normals[rows]
    mirrored = rigid.transform(T, points * FLIP)
    found = deviation.signed(mirrored, rigid.rotate(T, normals * FLIP), shape.surface, limit_mm)
    met = np.isfinite(found.value_mm) & ~shape.filled(found.face)
    common_mm, noise_mm = np.full(len(rows), np.nan), np.full(len(rows), np.nan)
    own_rows, others = rows[met], shape.nearest(found.at_mm[met])
    known = shape.uncertainty
    drift_mm = np.hypot(known.drift[own_rows], known.drift[others])
    common_mm[met] = _common_sd_mm(shape, points[met], found.at_mm[met], found.facing[met], drift_mm)
    if fit is not None:
        J = registration.moves(mirrored[met], found.facing[met])
        common_mm[met] = np.hypot(common_mm[met], np.sqrt(np.einsum("ni,ij,nj->n", J, fit.covariance, J)))
    noise_mm[met] = np.hypot(known.noise[own_rows], known.noise[others])
    compared = Compared(
        points, normals, clusters.area_mm2[rows], np.where(met, found.value_mm, np.nan), common_mm, noise_mm
    )
    moved = None if fit is None or not len(points) else np.linalg.norm(mirrored - points * FLIP, axis=1).max() / 2
    return SideComparison(
        compared, changes.find(compared, options), float(limit_mm), None if moved is None else float(moved)
    )


def _common_sd_mm(
    shape: MeasuredShape, points: np.ndarray, partners: np.ndarray, facing: np.ndarray, drift_mm: np.ndarray
) -> np.ndarray:
    """What neighbouring points share of the uncertainty of the difference of the sides, (n,) mm.

    Poses: the pose of a segment that alone saw both sides moves both; else each side has its own, no less than what the
    overlaps of the segments show. ``drift_mm`` (n,) of both sides, which are scanned one after the other.
    """
    seen, others_seen = shape.poses.seen(points), shape.poses.seen(partners)
    own = registration.point_sd_mm(points, facing * FLIP, shape.poses, seen)
    other = registration.point_sd_mm(partners, facing, shape.poses, others_seen)
    together = registration.difference_sd_mm(
        points, partners, facing * FLIP, shape.poses, other_directions=facing, seen=seen, others_seen=others_seen
    )
    alone = (seen.sum(axis=1) == 1) & np.all(seen == others_seen, axis=1)
    overlaps = [
        np.where(shown, shape.poses.overlap_sd_mm, 0.0).max(axis=1, initial=0.0) for shown in (seen, others_seen)
    ]
    posed = np.maximum(np.where(alone, together, np.hypot(own, other)), np.hypot(*overlaps))
    return np.hypot(posed, drift_mm)


def rows(compared: Compared, found: Changes) -> np.ndarray:
    """Compared points and the number of the changed area of each, 0 for none, for a data file: (k,) of :data:`ROW`."""
    table = np.empty(len(compared.points_mm), ROW)
    table["points_mm"], table["deviation_mm"], table["area"] = compared.points_mm, compared.deviation_mm, found.area_of
    return table


def summary(found: SideComparison, options: Options) -> Symmetry | None:
    """Numbers of a comparison for the JSON; None where the sides share nothing."""
    values = found.compared.deviation_mm
    seen = values[np.isfinite(values)]
    if not len(seen):
        return None
    size = np.abs(seen)
    return Symmetry(
        compared=int(len(seen)),
        without_partner=float(1.0 - len(seen) / len(values)),
        limit_mm=found.limit_mm,
        mean_mm=float(seen.mean()),
        median_mm=float(np.median(seen)),
        rms_mm=float(np.sqrt(np.mean(seen**2))),
        abs_95_mm=float(np.percentile(size, 95.0)),
        abs_max_mm=float(size.max()),
        uncertainty_median_mm=found.compared.uncertainty_median_mm,
        refitted_mm=found.refitted_mm,
        tested=found.changes.patches,
        level=options.level,
        areas=listed(found.changes),
    )
