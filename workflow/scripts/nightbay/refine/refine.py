"""The stage refine: poses of a part's segments, improved by the surfaces in their overlaps.

With targets, the network's poses are the start of the fit, and the targets are observations in it. A segment leaves its
target pose only where this improves the fit of withheld points and does not contradict the targets. Segments without
targets are first registered to the others by the shape of their surfaces.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from nightbay.clouds.cloud import CloudFile
from nightbay.clouds.posed_segment import PosedSegment
from nightbay.core import rigid
from nightbay.network.result import NetworkResult
from nightbay.pipeline import typed
from nightbay.pipeline.stage import Upstream
from nightbay.refine import (
    block_jackknife,
    contradiction,
    discrepancy,
    error_model,
    loose_directions,
    normal_sides,
    overlap,
    overlap_adjustment,
    overlap_patches,
    placement,
    point_pairs,
    pose_certainty,
    pose_selection,
    surface_registration,
    target_constraints,
)
from nightbay.refine.pair_search import Searches
from nightbay.refine.part import Part, sizes
from nightbay.refine.part import centroid_mm as centroid_of
from nightbay.refine.point_pairs import PointPairs
from nightbay.refine.result import (
    Discrepancy,
    LooseOverlap,
    RefinedPose,
    RefineResult,
    UnplacedSegment,
)

HOLDS_FRAME = pose_selection.Verdict("holds the frame")
# Standard deviations of the start poses by which two surfaces may lie apart: all but 1 in 16,000 of normal errors.
SEARCHED_SD = 4.0


@dataclass(frozen=True)
class Refined:
    """Result of the fit of a part by targets and overlaps.

    ``search_distance_mm``: how far apart two surfaces could be to be compared; ``variance_factor`` of the overlaps and
    their ``overlap_weight`` against the targets, None without overlaps; ``poses`` {segment: pose}; ``loose``: overlaps
    whose loose directions the point pairs determine.
    """

    search_distance_mm: float
    variance_factor: float | None
    overlap_weight: float | None
    poses: dict[str, RefinedPose]
    discrepancies: list[Discrepancy]
    loose: list[LooseOverlap]


def refine(
    upstream: Mapping[str, Any], sheet: Mapping[str, Any], settings: Any, folder: Path, threads: int
) -> dict[str, Any]:
    """Refine the poses of all segments of a part; see DEVELOPERS.md for the contract of a stage.

    ``upstream``: ``clean`` (one a segment) and ``network``. Returns a :class:`nightbay.refine.result.RefineResult` as
    plain data, with ``notes``. Raises :class:`nightbay.core.errors.Unplaced` where segments without targets can't be
    registered by their surfaces and ``sheet`` does not say to leave them out.
    """
    everything = sorted(upstream["clean"], key=lambda segment: segment.segment)
    network = typed.read(NetworkResult, upstream["network"].result)
    searches = Searches(
        point_pairs.read(sheet["point_pairs"], network.scale.factor), sure=normal_sides.sure(everything)
    )

    def attempt(cleaned: Sequence[Upstream]) -> tuple[Part, Refined]:
        part = _start(cleaned, network, settings, searches)
        return part, _refine(part, network, settings, [*searches.points.values()])

    leave_out = sheet["unplaced"] == "leave_out"
    (part, refined), unplaced, unplaced_loose = placement.place(everything, leave_out, attempt)
    cleaned = [segment for segment in everything if segment.segment not in unplaced]
    posed = {name: refined.poses[name].T_control_segment for name in part.names}
    turned, turned_normals = normal_sides.orient(cleaned, part, posed, settings, folder)
    final = list(posed.values())
    facing = [CloudFile(segment.folder, turned.get(segment.segment), network.scale.factor) for segment in cleaned]
    agreement = contradiction.find(part.names, facing, final, part.sizes, settings.refine.contradiction_most)
    held_by = network.frame_of if part.has_targets.any() else None
    frame_of = held_by or part.names[0]
    result = RefineResult(
        frame_of=frame_of,
        disc_radius_mm=part.sizes.disc_radius_mm,
        search_distance_mm=refined.search_distance_mm,
        variance_factor=refined.variance_factor,
        overlap_weight=refined.overlap_weight,
        coarse_registration=searches.records,
        scale=network.scale,
        contradiction=agreement.record(),
        normal_orientation=turned_normals,
        poses=refined.poses,
        discrepancies=refined.discrepancies,
        unplaced=[UnplacedSegment(name, reason) for name, reason in unplaced.items()],
        loose=[*unplaced_loose, *refined.loose],
        by_surfaces=pose_certainty.by_surfaces(part, frame_of, refined.poses, refined.discrepancies, searches),
    )
    return typed.write(result) | {"notes": notes(result)}


def _start(cleaned: Sequence[Upstream], network: NetworkResult, settings: Any, searches: Searches) -> Part:
    """The part in its start poses; ``searches`` for those of segments without targets."""
    clouds = {str(segment.segment): CloudFile(segment.folder, scale=network.scale.factor) for segment in cleaned}
    by_targets = {name: pose for name, pose in (network.poses or {}).items() if name in clouds}
    known = {name: pose.T_control_segment for name, pose in by_targets.items()}
    covariances = {name: pose.covariance for name, pose in by_targets.items()}
    if not known:
        first = next(iter(clouds))
        known, covariances = {first: np.eye(4)}, {first: np.zeros((6, 6))}
    compared = sizes(list(clouds.values()), settings)
    by_surfaces = len(known) < len(clouds)
    if by_surfaces:
        poses = surface_registration.connect(clouds, known, settings.refine, searches)
    else:
        poses = [known[name] for name in clouds]
    # An overlap is surface that two segments see from the same side, so estimated normals are turned before.
    turned = normal_sides.turned_over(cleaned, clouds, poses, compared, settings)
    clouds = {
        str(segment.segment): CloudFile(segment.folder, turned.get(str(segment.segment)), network.scale.factor)
        for segment in cleaned
    }
    if by_surfaces:
        points = [*searches.points.values()]
        poses = surface_registration.fit_together(clouds, poses, known, compared, settings.refine, points)
    segments = [
        PosedSegment(name, cloud, T, covariances.get(name), segment.result["normals_certainty"])
        for (name, cloud), T, segment in zip(clouds.items(), poses, cleaned, strict=True)
    ]
    return Part(segments, np.array([name in by_targets for name in clouds]), compared, turned)


def _refine(part: Part, network: NetworkResult, settings: Any, points: Sequence[PointPairs]) -> Refined:
    """Poses by targets, overlaps and point pairs together."""
    own, free = settings.refine, part.free
    centroids_mm = part.centroids_mm
    spread_mm = [
        float(rigid.displacement_sd_mm(segment.covariance, centroid[None])[0])
        for segment, centroid in zip(part.segments, centroids_mm, strict=True)
        if segment.covariance is not None
    ]
    distance_mm = part.sizes.disc_radius_mm / 2 + SEARCHED_SD * max(spread_mm)
    search = overlap.Search(part.sizes.disc_radius_mm, distance_mm, own.correspondences)
    pairs = overlap.pairs(part.clouds, part.start, search)
    if not pairs:
        return Refined(distance_mm, None, None, _unrefined(part), [], [])
    drift_per_m = np.where(part.has_targets, settings.scan.target_drift_mm_per_m, own.untargeted_drift_mm_per_m)
    drift = overlap_patches.DriftModel(drift_per_m, own.drift_length_mm, part.sizes.patch_mm, centroids_mm)
    observed = target_constraints.none()
    if part.has_targets.any():
        observed = target_constraints.read(network, part.names, part.start, drift.centre_mm, settings.scan)
    targets = pose_selection.target_equations(observed, len(part.segments))
    by_points = point_pairs.normal_equations(points, part.names, part.start, drift.centre_mm)
    robust = overlap_adjustment.robust_poses(pairs, part.start, drift, targets + by_points, free, distance_mm)
    patches = overlap_patches.gather(pairs, part.start, drift, robust)
    evidence = pose_selection.evidence(patches, observed, by_points, free, drift, own.folds)
    selection = pose_selection.select(evidence, free, part.has_targets, own.confidence)
    final = overlap_adjustment.move(part.start, selection.solution.motions, drift.centre_mm)
    loose = loose_directions.find(part, pairs, evidence, targets, selection.moved)
    covariance = error_model.pose_covariance(evidence.errors, evidence.overlaps, evidence.targets, selection.solution)
    by_surfaces = selection.moved & ~part.has_targets
    widening = block_jackknife.widening(patches, evidence.targets, by_surfaces, selection.solution, covariance)
    widened = np.sqrt(np.repeat(widening, 6))
    covariance *= widened[:, None] * widened[None]
    loose = pose_certainty.fixed_by_points(part, loose, covariance, drift.centre_mm)
    surface_registration.check_distances(part, pairs, final)
    point_pairs.check(points, part.names, final)
    poses = _refined_poses(part, evidence, selection, final, covariance, loose)
    pose_certainty.check_rotation(poses, part.arms_mm, own)
    return Refined(
        distance_mm,
        evidence.variance_factor,
        selection.solution.overlap_weight,
        poses,
        discrepancy.discrepancies(part, pairs, evidence, selection, final),
        loose,
    )


def _unrefined(part: Part) -> dict[str, RefinedPose]:
    """The poses of a part without overlaps: all stay."""
    alone = "single segment" if len(part.segments) == 1 else "no overlap with another segment"
    return {
        segment.name: _pose(
            segment,
            segment.T_frame_segment,
            np.zeros((6, 6)) if segment.covariance is None else segment.covariance,
            "targets" if free else "frame",
            pose_selection.Verdict(alone),
        )
        for segment, free in zip(part.segments, part.free, strict=True)
    }


def _refined_poses(
    part: Part,
    evidence: pose_selection.Evidence,
    selection: pose_selection.Selection,
    final: Sequence[np.ndarray],
    covariance: np.ndarray,
    loose: Sequence[LooseOverlap],
) -> dict[str, RefinedPose]:
    """The final pose of each segment, by name; ``covariance`` (6 s, 6 s) of all about the patches' centre."""
    held_by_points = pose_certainty.held_by_points(part, loose)
    poses = {}
    for at, (segment, free) in enumerate(zip(part.segments, part.free, strict=True)):
        own = slice(6 * at, 6 * at + 6)
        if not free:
            held = np.zeros((6, 6)) if segment.covariance is None else segment.covariance
            poses[segment.name] = _pose(segment, final[at], held, "frame", HOLDS_FRAME)
            continue
        if part.has_targets[at]:
            verdict, pose_from = selection.verdicts[at], "refined" if selection.moved[at] else "targets"
        else:
            verdict = pose_selection.Verdict("no targets: registered by its surfaces")
            pose_from = "point pairs" if segment.name in held_by_points else "surfaces"
        at_origin = rigid.covariance_at_origin(covariance[own, own], evidence.patches.centre_mm)
        pose = _pose(segment, final[at], at_origin, pose_from, verdict)
        poses[segment.name] = replace(pose, weak_directions=pose_selection.weak_directions(at, evidence))
    return poses


def _pose(
    segment: PosedSegment,
    final: np.ndarray,
    covariance: np.ndarray,
    pose_from: str,
    verdict: pose_selection.Verdict,
) -> RefinedPose:
    """The result of a segment that was moved from its start pose to ``final``, (4, 4)."""
    motion = final @ rigid.invert(segment.T_frame_segment)
    centroid_mm = centroid_of(segment.cloud, segment.T_frame_segment)
    return RefinedPose(
        T_control_segment=final,
        covariance=(covariance + covariance.T) / 2,
        pose_from=pose_from,
        reason=verdict.reason,
        shift_mm=float(np.linalg.norm(rigid.transform(motion, centroid_mm[None])[0] - centroid_mm)),
        rotation_deg=rigid.angle_deg(motion),
        withheld_overlaps=verdict.overlaps.record if verdict.overlaps else None,
        withheld_targets=verdict.targets.record if verdict.targets else None,
        squared_mahalanobis=verdict.squared_mahalanobis,
        weak_directions=[],
    )


def notes(result: RefineResult) -> list[str]:
    """Sentences for the report: which segments were registered without targets, which have surfaces that contradict
    their targets, and which have estimated normals that were turned."""
    sentences = [
        f"Segment {name} has no measured normals: {normals.turned} of its estimated normals were turned over, because"
        f" other segments, which overlap {100 * normals.observed_share:.0f} % of it, show the opposite side there."
        for name, normals in result.normal_orientation.items()
        if normals.turned
    ]
    for name, pose in result.poses.items():
        if pose.pose_from == "surfaces":
            sentences.append(f"Segment {name} has no targets and was registered by its surfaces.")
        elif pose.pose_from == "point pairs":
            sentences.append(f"Segment {name} has no targets and was registered by its surfaces and by point pairs.")
        elif pose.pose_from == "targets" and pose.reason and "moved between the runs" in pose.reason:
            sentences.append(f"Segment {name} keeps its target pose: {pose.reason}.")
    return sentences
