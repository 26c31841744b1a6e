"""Assembles the result of the stage network from its adjusted network."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from nightbay.core import rigid
from nightbay.network import drift, motion, notes, scale_bars, scale_factor, target_identity
from nightbay.network.adjusted_network import AdjustedNetwork
from nightbay.network.result import (
    AdjustedTarget,
    Blunder,
    CheckTargets,
    DetectableBlunder,
    Displacement,
    DriftEstimate,
    DuplicatePair,
    ListEntry,
    MovedGroup,
    NetworkResult,
    Observation,
    PredictionError,
    SegmentPose,
)


def without_network(
    reason: str, sheet: Mapping[str, Any], without_targets: list[str], settings: Any
) -> tuple[NetworkResult, list[str]]:
    """Result and notes of a part whose segments are not tied by targets; ``settings``: the section network."""
    scale = scale_factor.without_network(sheet, settings)
    result = NetworkResult("none", reason, None, without_targets, scale_bars=[], scale=scale)
    return result, notes.on_scale(result, sheet)


def assemble(
    found: AdjustedNetwork, sheet: Mapping[str, Any], without_targets: list[str], settings: Any
) -> tuple[NetworkResult, list[str]]:
    """Result and notes of an adjusted network; ``settings`` has the sections network and scan.

    A network that agrees better than declared is no proof of less noise: covariances never shrink.
    """
    test = found.variance_test
    covariance_factor = test.variance_factor if test and test.variance_factor > test.high else 1.0
    bars = scale_bars.check_all(found, sheet, covariance_factor)
    scale = scale_factor.scale(bars, sheet, settings.network)
    found = scale_factor.apply(found, scale.factor)
    has_survey = found.survey is not None
    result = NetworkResult(
        mode="control" if has_survey else "free",
        mode_reason="control survey" if has_survey else "no control survey: the first segment by name holds the frame",
        poses=_poses(found, covariance_factor),
        without_targets=without_targets,
        scale_bars=bars,
        scale=scale,
        frame_of=found.lists[0].name,
        targets=_targets(found, covariance_factor),
        observations=_observations(found),
        variance_factor=test,
        covariance_scaled_by=covariance_factor,
        blunders=_blunders(found),
        duplicate_targets=_duplicates(found),
        moved_groups=[_moved_group(group) for group in found.identity.moved],
        drift=_drift(found, settings.scan),
        detectable_blunder=_detectable(found, settings.network),
        check_targets=_checks(found, covariance_factor),
        precision_rms_mm=_precision(found, covariance_factor),
    )
    return result, found.notes + notes.on_network(result) + notes.on_scale(result, sheet)


def _poses(found: AdjustedNetwork, covariance_factor: float) -> dict[str, SegmentPose]:
    adjusted, observations = found.snooped.adjusted, found.observations
    tied = found.snooped.active & (found.times_seen[observations.target] >= 2)
    poses = {}
    for number, target_list in enumerate(found.lists):
        if number == 0 and found.survey is not None:
            continue
        rows = tied & (observations.list_number == number)
        covariance = adjusted.pose_covariance[number] * covariance_factor
        T = adjusted.T_control_list[number]
        centroid = rigid.transform(T, target_list.xyz_mm.mean(axis=0)[None])[0]
        sd = np.sqrt(np.maximum(np.diag(rigid.covariance_at_origin(covariance, -centroid)), 0))
        match = found.start.matches.get(target_list.name)
        poses[target_list.name] = SegmentPose(
            T_control_segment=T,
            covariance=(covariance + covariance.T) / 2,
            centroid_sd_mm=sd[3:],
            rotation_sd_deg=np.degrees(sd[:3]),
            listed=len(target_list),
            common=int(rows.sum()),
            residual_rms_mm=_rms_length(adjusted.residual_mm[rows]),
            distortion_rms_mm=_rms_length(adjusted.distortion_mm[rows]),
            redundancy_mean=float(adjusted.redundancy[rows].mean()),
            matched_by=match.by if match else "holds the frame",
            runner_up=match.runner_up if match else None,
            expected_false_matches=match.expected_false if match else None,
        )
    return poses


def _rms_length(vectors: np.ndarray) -> float:
    return float(np.sqrt((vectors**2).sum(axis=1).mean()))


def _targets(found: AdjustedNetwork, covariance_factor: float) -> list[AdjustedTarget]:
    adjusted, observations = found.snooped.adjusted, found.observations
    disputed = {int(observations.target[row]) for pair in found.snooped.disputed for row in pair}
    targets = []
    order = np.argsort(observations.target, kind="stable")
    starts = np.searchsorted(observations.target[order], np.arange(found.identity.count + 1))
    for target in range(found.identity.count):
        rows = order[starts[target] : starts[target + 1]]
        used = [int(row) for row in rows if found.snooped.active[row]]
        if not used:
            continue  # only blunders saw it
        targets.append(
            AdjustedTarget(
                target=target,
                id=found.id_of(rows[0]),
                xyz_mm=adjusted.xyz_mm[target],
                covariance_mm2=adjusted.covariance_mm2[target] * covariance_factor,
                seen_by=[found.list_of(row).name for row in used],
                disputed=target in disputed,
            )
        )
    return targets


def _observations(found: AdjustedNetwork) -> list[Observation]:
    """Every observation of a target that more than one list saw; others have no residual."""
    adjusted, observations, tests = found.snooped.adjusted, found.observations, found.snooped.tests
    seen = np.bincount(observations.target, minlength=found.identity.count)
    listed = []
    for row in np.flatnonzero(seen[observations.target] >= 2).tolist():
        testable = np.isfinite(tests.detectable[row]).all()
        listed.append(
            Observation(
                list=found.list_of(row).name,
                row=found.file_row(row),
                target=int(observations.target[row]),
                used=bool(found.snooped.active[row]),
                residual_mm=adjusted.residual_mm[row],
                w=tests.w[row] if testable else None,
                redundancy=adjusted.redundancy[row],
                detectable_mm=tests.detectable[row] if testable else None,
            )
        )
    return listed


def _blunders(found: AdjustedNetwork) -> list[Blunder]:
    """Observations that were removed, with the size of the blunder and its standard deviation."""
    adjusted, observations, snooped = found.snooped.adjusted, found.observations, found.snooped
    disputed = dict(snooped.disputed)
    listed = []
    for row in np.flatnonzero(~snooped.active).tolist():
        other = disputed.get(row)
        variance = np.trace(observations.covariance_mm2[row] + adjusted.Q_fitted[row]) / 3
        listed.append(
            Blunder(
                list=found.list_of(row).name,
                row=found.file_row(row),
                id=found.id_of(row),
                target=int(observations.target[row]),
                size_mm=float(np.linalg.norm(adjusted.residual_mm[row])),
                sd_mm=float(np.sqrt(variance)),
                times_limit=float(snooped.tests.times_limit[row]),
                in_dispute_with=None if other is None else found.list_of(other).name,
            )
        )
    return listed


def _detectable(found: AdjustedNetwork, settings: Any) -> DetectableBlunder | None:
    """Smallest blunder that the tests find, over the observations in use: the worst coordinate of each counts."""
    rows = np.flatnonzero(found.snooped.active & np.isfinite(found.snooped.tests.detectable).all(axis=1))
    if len(rows) == 0:
        return None
    smallest = found.snooped.tests.detectable[rows].max(axis=1)
    worst = int(rows[np.argmax(smallest)])
    return DetectableBlunder(
        count=len(rows),
        median_mm=float(np.median(smallest)),
        p95_mm=float(np.quantile(smallest, 0.95)),
        max_mm=float(smallest.max()),
        max_at=ListEntry(found.list_of(worst).name, found.file_row(worst)),
        significance=settings.test_significance,
        power=settings.test_power,
    )


def _duplicates(found: AdjustedNetwork) -> list[DuplicatePair]:
    survey = found.survey
    if survey is None:
        return []
    return [
        DuplicatePair(
            rows=[row + 1 for row in pair.rows],
            ids=[None if survey.id is None else survey.id[row] for row in pair.rows],
            xyz_mm=survey.xyz_mm[list(pair.rows)].mean(axis=0),
            distance_mm=pair.distance_mm,
            path_m=pair.path_m,
            verdict=pair.verdict,
            evidence=pair.evidence,
        )
        for pair in found.duplicates
    ]


def _moved_group(group: target_identity.MovedTargets) -> MovedGroup:
    return MovedGroup(
        segment=group.segment,
        rows=[int(row) + 1 for row in group.rows],
        targets=[int(target) for target in group.targets],
        body_targets=group.body_count,
        group=_displacement(group.shift),
        body=_displacement(group.body_shift),
        p_value=group.shift.p_value,
    )


def _displacement(shift: motion.Shift) -> Displacement:
    size = float(np.linalg.norm(shift.vector_mm))
    along = shift.vector_mm / max(size, 1e-300)
    return Displacement(
        vector_mm=shift.vector_mm,
        size_mm=size,
        size_sd_mm=float(np.sqrt((along * shift.sd_mm) @ (along * shift.sd_mm))),
        angle_deg=shift.angle_deg,
        angle_sd_deg=shift.angle_sd_deg,
    )


def _drift(found: AdjustedNetwork, scan: Any) -> list[DriftEstimate]:
    """Drift of the survey by closures, and of a list by the lengths in which survey and segments differ, with what it
    does to the longest extent."""
    closures = [pair for pair in found.duplicates if pair.is_one_target and pair.path_m is not None]
    estimates = [
        drift.from_closures(
            np.array([pair.distance_mm for pair in closures]),
            np.array([pair.path_m for pair in closures], float),
            scan.target_noise_mm,
        ),
        drift.from_lengths(*_common_with_first(found)),
    ]
    extent_mm = _longest_extent_mm(found)
    return [
        DriftEstimate(
            method=estimate.method,
            drift_mm_per_m=estimate.value_mm_per_m,
            sd_mm_per_m=estimate.sd_mm_per_m,
            upper_mm_per_m=estimate.upper_mm_per_m,
            count=estimate.count,
            extent_mm=extent_mm,
            effect_mm=estimate.value_mm_per_m * extent_mm / 1000,
            effect_sd_mm=estimate.sd_mm_per_m * extent_mm / 1000,
            declared_mm_per_m=scan.target_drift_mm_per_m,
        )
        for estimate in estimates
        if estimate is not None
    ]


def _longest_extent_mm(found: AdjustedNetwork) -> float:
    """Extent of the tie targets along their longest axis."""
    xyz = found.snooped.adjusted.xyz_mm[found.times_seen >= 2]
    centred = xyz - xyz.mean(axis=0)
    return float(np.ptp(centred @ np.linalg.svd(centred, full_matrices=False)[2][0]))


def _common_with_first(found: AdjustedNetwork) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """Common targets of the list that holds the frame and each other list, as both recorded them."""
    observations, active = found.observations, found.snooped.active
    in_first = np.full(found.identity.count, -1)
    first = np.flatnonzero(active & (observations.list_number == 0))
    in_first[observations.target[first]] = first
    lists_a, lists_b = [], []
    for number in range(1, len(found.lists)):
        rows = np.flatnonzero(active & (observations.list_number == number))
        rows = rows[in_first[observations.target[rows]] >= 0]
        lists_a.append(observations.xyz_mm[in_first[observations.target[rows]]])
        lists_b.append(observations.xyz_mm[rows])
    return lists_a, lists_b


def _checks(found: AdjustedNetwork, covariance_factor: float) -> CheckTargets | None:
    checks = found.checks
    if checks is None:
        return None
    size = np.linalg.norm(checks.error_mm, axis=1)
    return CheckTargets(
        count=len(size),
        needed=checks.needed,
        rms_mm=checks.rms_mm,
        expected_rms_mm=checks.expected_rms_mm * float(np.sqrt(covariance_factor)),
        p95_mm=float(np.quantile(size, 0.95)),
        max_mm=float(size.max()),
        errors=[
            PredictionError(int(target), found.list_of(row).name, error, float(np.linalg.norm(error)))
            for row, target, error in zip(checks.row, checks.target, checks.error_mm, strict=True)
        ],
    )


def _precision(found: AdjustedNetwork, covariance_factor: float) -> float:
    """RMS standard deviation of an adjusted target that more than one list saw, mm, all three coordinates together."""
    variance = np.einsum("tii->t", found.snooped.adjusted.covariance_mm2[found.times_seen >= 2])
    return float(np.sqrt(variance.mean() * covariance_factor))
