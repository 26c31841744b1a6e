"""The stage refine: poses of a part's segments, improved by the surfaces in their overlaps.

With targets, the poses of the network are the start and an observation of the same problem; a segment leaves its
target pose only where points withheld from the fit say that this is better and the targets don't object. Segments
without targets are found to the others by the shape of their surfaces first.
"""

from dataclasses import replace

import numpy as np

from nightbay.clouds.cloud import CloudFile
from nightbay.clouds.posed_segment import PosedSegment
from nightbay.core import rigid
from nightbay.orientation import normal_orientation
from nightbay.pipeline import typed
from nightbay.refine import (
    contradiction,
    discrepancy,
    error_model,
    overlap,
    pose_selection,
    surface_registration,
    target_constraints,
)
from nightbay.refine import overlap_adjustment as adjust
from nightbay.refine import patches as patching
from nightbay.refine.result import RefinedPose, RefineResult, Scale, TurnedNormals


def refine(upstream, sheet, settings, folder, threads):
    """Refine the poses of all segments of a part.

    ``upstream``: ``clean`` (one a segment) and ``network``. Returns ``poses`` {segment: {``T_control_segment``,
    ``covariance`` of the small motion about the control frame's origin (rad, mm), ``kept``, ``reason``, ...}},
    ``discrepancies`` of overlapping pairs and how they were found, see workflow/schemas/refine.schema.json. Raises
    :class:`nightbay.core.errors.Rejected` where segments without targets can't be registered by their surfaces.
    """
    cleaned = sorted(upstream["clean"], key=lambda one: one.segment)
    names = [one.segment for one in cleaned]
    network, parameters, scan = upstream["network"].result, settings["refine"], settings["scan"]
    clouds = [CloudFile(one.folder, scale=network["scale"]["factor"]) for one in cleaned]
    known = {name: network["poses"][name] for name in names if name in (network["poses"] or {})}
    by_targets = np.array([name in known for name in names])
    if not known:
        known = {names[0]: {"T_control_segment": np.eye(4).tolist(), "covariance": np.zeros((6, 6)).tolist()}}
    radius_mm = max(scan["resolution_mm"], 2 * max(overlap.spacing_mm(cloud) for cloud in clouds))
    start = {name: np.array(one["T_control_segment"]) for name, one in known.items()}
    start, coarse = surface_registration.place(names, clouds, start, radius_mm, parameters)
    at_origin = [np.array(known[name]["covariance"]) if name in known else None for name in names]
    refined = _refine(names, clouds, start, at_origin, by_targets, network, radius_mm, parameters, scan)
    orientation, turned = _normal_orientation(cleaned, clouds, refined["poses"], settings, folder)
    final = [refined["poses"][name].T_control_segment for name in names]
    facing = [CloudFile(one.folder, turned.get(one.segment), network["scale"]["factor"]) for one in cleaned]
    cell_mm = max(parameters["coarse_mm"], 2 * radius_mm)
    found = contradiction.find(names, facing, final, cell_mm, parameters["contradiction_most"])
    result = RefineResult(
        frame_of=network["frame_of"] if by_targets.any() else names[0],
        coarse_registration=coarse,
        scale=typed.read(Scale, network["scale"]),
        contradiction=found.record(),
        normal_orientation=orientation,
        **refined,
    )
    return typed.write(result) | {"notes": notes(result.poses, result.normal_orientation)}


def _refine(names, clouds, start, at_origin, by_targets, network, radius_mm, parameters, scan):
    """Poses by targets and overlaps together; ``at_origin``: covariance of each target pose, None without targets."""
    middles = np.array([middle_mm(cloud, T) for cloud, T in zip(clouds, start, strict=True)])
    free = np.array([one is None or np.trace(one) > 0 for one in at_origin])  # what holds the frame has no covariance
    spread = [_sd_mm(one, middle) for one, middle in zip(at_origin, middles, strict=True) if one is not None]
    reach_mm = radius_mm / 2 + 4 * max(spread)
    pairs = overlap.pairs(clouds, start, radius_mm, reach_mm, parameters["correspondences"])
    if not pairs:
        alone = "single segment" if len(names) == 1 else "no overlap with another segment"
        verdicts = dict.fromkeys(range(len(names)), pose_selection.Verdict(alone))
        entries = _entries(names, start, start, at_origin, middles, np.zeros(len(names), bool), free, verdicts)
        return {
            "disc_radius_mm": radius_mm,
            "search_distance_mm": reach_mm,
            "variance_factor": None,
            "overlap_weight": None,
            "poses": entries,
            "discrepancies": [],
        }
    per_m = np.where(by_targets, scan["target_drift_mm_per_m"], parameters["feature_drift_mm_per_m"])
    drift = patching.Drift(per_m, parameters["drift_length_mm"], parameters["patch_mm"])
    place = patching.Place(middles)
    centre = place.centre_mm
    ties = (
        target_constraints.read(network, names, start, centre, scan) if by_targets.any() else target_constraints.none()
    )
    targets = pose_selection.all_targets(ties, len(names))
    settled = adjust.settle(pairs, start, place, drift, targets, free, reach_mm)
    given = pose_selection.evidence(
        patching.gather(pairs, start, place, drift, settled), ties, free, drift, parameters["folds"]
    )
    solution, moved, verdicts, withheld = pose_selection.choose(given, free, by_targets, parameters["confidence"])
    final = adjust.move(start, solution.motions, centre)
    surface_registration.check(names, pairs, solution, free & ~by_targets, final, scan)
    covariance = error_model.covariance(given.errors, given.overlaps, given.targets, solution)
    kept = [
        rigid.covariance_at_origin(covariance[6 * at : 6 * at + 6, 6 * at : 6 * at + 6], centre) if free[at] else one
        for at, one in enumerate(at_origin)
    ]
    entries = _entries(names, start, final, kept, middles, moved, free, verdicts)
    for at in np.flatnonzero(free):
        entry = replace(entries[names[at]], weak_directions=pose_selection.weak_directions(at, given))
        if not by_targets[at]:
            entry = replace(entry, pose_from="surfaces", reason="no targets: registered by its surfaces")
        entries[names[at]] = entry
    return {
        "disc_radius_mm": radius_mm,
        "search_distance_mm": reach_mm,
        "variance_factor": given.variance_factor,
        "overlap_weight": solution.factor,
        "poses": entries,
        "discrepancies": discrepancy.table(names, pairs, given.patches, start, final, withheld),
    }


def _normal_orientation(cleaned, clouds, poses, settings, folder):
    """What the result says of the sides of estimated normals, and those that are to be turned {segment: (n,) bool},
    which it leaves in files."""
    segments = [
        PosedSegment(
            one.segment,
            cloud,
            poses[one.segment].T_control_segment,
            normals_certainty=one.result["normals_certainty"],
        )
        for one, cloud in zip(cleaned, clouds, strict=True)
    ]
    spacing_mm = max(overlap.spacing_mm(cloud) for cloud in clouds)
    inward = cleaned[0].part == "interior"
    sheet_distance_mm = settings["refine"]["sheet_distance_mm"]
    if sheet_distance_mm is None:
        sheet_distance_mm = settings["scan"]["resolution_mm"]
    found = normal_orientation.orient_estimated(
        segments, spacing_mm, sheet_distance_mm, settings["scan"]["standoff_mm"], inward
    )
    for name, orientation in found.items():
        np.save(folder / normal_orientation.turned_file(name), orientation.turned)
    said = {
        name: TurnedNormals(orientation.observed_share, int(orientation.turned.sum()))
        for name, orientation in found.items()
    }
    return said, {name: orientation.turned for name, orientation in found.items()}


def notes(entries, sides):
    """Sentences for the report: what was registered without targets, whose surfaces and targets disagree, and whose
    estimated normals were turned."""
    sentences = [
        f"Segment {name} has no normals of its own: {one.turned} points were taken to face inwards until other"
        f" segments, which overlap {100 * one.observed_share:.0f} % of it, showed their outer side."
        for name, one in sides.items()
        if one.turned
    ]
    for name, entry in entries.items():
        if entry.pose_from == "surfaces":
            sentences.append(f"Segment {name} has no targets and was registered by its surfaces.")
        elif entry.pose_from == "targets" and "moved between the runs" in entry.reason:
            sentences.append(f"Segment {name} keeps the pose of its targets: {entry.reason}.")
    return sentences


def _entries(names, start, final, covariances, middles, moved, free, verdicts):
    """What the result says of each segment's pose."""
    entries = {}
    for at, name in enumerate(names):
        motion = final[at] @ rigid.invert(start[at])
        verdict = verdicts.get(at, pose_selection.Verdict("holds the frame"))
        entries[name] = RefinedPose(
            T_control_segment=final[at],
            covariance=(covariances[at] + covariances[at].T) / 2,
            pose_from="refined" if moved[at] else "targets" if free[at] else "frame",
            reason=verdict.reason,
            shift_mm=float(np.linalg.norm(rigid.transform(motion, middles[at][None])[0] - middles[at])),
            rotation_deg=rigid.angle_deg(motion),
            withheld_overlaps=verdict.overlaps.record if verdict.overlaps else None,
            withheld_targets=verdict.targets.record if verdict.targets else None,
            squared_mahalanobis=verdict.strain,
            weak_directions=[],
        )
    return entries


def middle_mm(cloud, T_control_segment):
    """Mean of a segment's points, (3,) in the control frame."""
    sample = cloud.sample(20_000).xyz_mm.astype(np.float64) + cloud.origin_mm
    return rigid.transform(T_control_segment, sample.mean(axis=0)[None])[0]


def _sd_mm(covariance_at_origin, place_mm):
    """Largest standard deviation in any direction, mm, of a place that moves with the pose."""
    at_place = rigid.covariance_at_origin(covariance_at_origin, -place_mm)
    return float(np.sqrt(np.linalg.eigvalsh(at_place[3:, 3:])[-1]))
