"""How sure the poses of segments without targets are: by their surfaces, and by point pairs where these leave off."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from nightbay.core import rigid
from nightbay.core.errors import Unplaced
from nightbay.refine.coarse_fit import Fit
from nightbay.refine.pair_search import PairSearch, Searches
from nightbay.refine.part import Part
from nightbay.refine.result import (
    Alternative,
    Discrepancy,
    LooseDirection,
    LooseOverlap,
    RefinedPose,
    SurfaceRegistration,
)


def by_surfaces(
    part: Part,
    frame_of: str,
    poses: Mapping[str, RefinedPose],
    discrepancies: Sequence[Discrepancy],
    searches: Searches,
) -> list[SurfaceRegistration]:
    """A :class:`SurfaceRegistration` for each segment without targets but the one that holds the frame."""
    found = []
    for name, centroid_mm in zip(part.names, part.centroids_mm, strict=True):
        if poses[name].pose_from not in ("surfaces", "point pairs"):
            continue
        covariance = poses[name].covariance
        mine = [pair for pair in discrepancies if name in pair.segments]
        patches = sum(pair.patches for pair in mine)
        squares = sum(pair.patches * pair.withheld_rms_after_mm**2 for pair in mine)
        placed_by = searches.used[name]
        points = searches.points.get(placed_by)
        found.append(
            SurfaceRegistration(
                segment=name,
                relative_to=frame_of,
                position_sd_mm=float(rigid.displacement_sd_mm(covariance, centroid_mm[None])[0]),
                rotation_sd_deg=rotation_sd_deg(covariance),
                patches=patches,
                withheld_rms_mm=float(np.sqrt(squares / max(patches, 1))),
                pair=list(placed_by),
                alternative=None if points else alternative(searches.placing(placed_by)),
                point_pairs=len(points.points_mm) if points else 0,
            )
        )
    return found


def rotation_sd_deg(covariance: np.ndarray) -> float:
    """Largest standard deviation, degrees, of the rotation of a pose with this covariance (6, 6) about any axis."""
    return float(np.degrees(np.sqrt(max(np.linalg.eigvalsh(covariance[:3, :3])[-1], 0.0))))


def check_rotation(poses: Mapping[str, RefinedPose], arms_mm: Mapping[str, float], settings: Any) -> None:
    """Refuse poses by surfaces alone whose rotation is not known well enough to be used.

    ``arms_mm`` {segment: distance of its farthest points from its middle}; ``settings``: the section refine. Raises
    ``Unplaced`` for all such segments.
    """
    reasons = {}
    for name, pose in poses.items():
        at_end_deg = float(np.degrees(settings.end_sd_most_mm / max(arms_mm[name], settings.end_sd_most_mm)))
        most_deg, sd_deg = max(settings.rotation_sd_most_deg, at_end_deg), rotation_sd_deg(pose.covariance)
        if pose.pose_from == "surfaces" and sd_deg > most_deg:
            reasons[name] = (
                f"segment {name} has no targets, and its surfaces fix its rotation to ±{2 * sd_deg:.2g}° only (95 %), "
                f"at most ±{2 * most_deg:.2g}° is allowed (refine.rotation_sd_most_deg); scan more overlap or put "
                "targets into it"
            )
    if reasons:
        raise Unplaced(reasons)


def alternative(search: PairSearch) -> Alternative | None:
    """What shows that the closest other pose of a pair is wrong, None where no other was found.

    The closest is the pose against which the evidence that rejects it is weakest.
    """
    if search.fit is None:
        return None
    T_a_b, bound = search.fit.T_a_b, max(search.fit.rate_bound, 1e-9)
    offset_mm = next(pose.offset_mm for pose in search.record.alternatives if np.array_equal(pose.T_a_b, T_a_b))
    found = []
    for pose in search.record.alternatives:
        if pose.rejected_by == "contradiction":
            fit = Fit(pose.T_a_b, pose.agreeing_cells, pose.distinctive_cells, pose.contradicting_cells)
            found.append(Alternative("contradiction", fit.rate_least / bound))
        elif pose.rejected_by == "distance":
            found.append(Alternative("distance", pose.offset_mm / max(offset_mm, 1e-9)))
        elif pose.rejected_by == "agreement":
            found.append(Alternative("agreement", search.fit.distinctive / max(pose.distinctive_cells, 1)))
    return min(found, key=lambda other: other.times, default=None)


def fixed_by_points(
    part: Part, loose: Sequence[LooseOverlap], covariance: np.ndarray, centre_mm: np.ndarray
) -> list[LooseOverlap]:
    """The loose overlaps of a part in which point pairs determine all directions, with their uncertainties.

    ``covariance`` (6 s, 6 s) of all poses about the centre, (3,).
    """
    return [
        replace(
            overlap,
            fixed_by="point pairs",
            directions=[
                replace(direction, sd=_sd(part, overlap, direction, covariance, centre_mm))
                for direction in overlap.directions
            ],
        )
        for overlap in loose
    ]


def _sd(
    part: Part, overlap: LooseOverlap, direction: LooseDirection, covariance: np.ndarray, centre_mm: np.ndarray
) -> float:
    """Standard uncertainty of a direction between the segments of an overlap: mm of a shift, deg of a turn."""
    a, b = (part.names.index(own[0]) for own in (overlap.segments, overlap.relative_to))
    difference = np.zeros((6, len(covariance)))
    difference[:, 6 * a : 6 * a + 6] += np.eye(6)
    difference[:, 6 * b : 6 * b + 6] -= np.eye(6)
    relative = difference @ covariance @ difference.T
    at_overlap = rigid.covariance_at_origin(relative, centre_mm - direction.at_mm)
    block = at_overlap[3:, 3:] if direction.kind == "shift" else np.degrees(np.degrees(at_overlap[:3, :3]))
    return float(np.sqrt(max(direction.axis @ block @ direction.axis, 0.0)))


def held_by_points(part: Part, loose: Sequence[LooseOverlap]) -> set[str]:
    """Segments whose pose in the control frame rests on point pairs in some direction."""
    holds = {name for name, free in zip(part.names, part.free, strict=True) if not free}
    return {
        name
        for overlap in loose
        for name in (overlap.relative_to if holds & set(overlap.segments) else overlap.segments)
    }
