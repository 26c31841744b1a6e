"""The stage network: one adjustment of the control survey and the target lists of all segments of a part."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from nightbay.clouds.cloud import CloudFile
from nightbay.core import target_noise
from nightbay.core.errors import Rejected, Unplaced
from nightbay.matching import initial_poses, matching, pairing, targets
from nightbay.matching.target_list import SURVEY, TargetList
from nightbay.network import (
    adjustment,
    assembly,
    blunders,
    check_targets,
    duplicate_targets,
    list_surfaces,
    model,
    refusals,
    target_identity,
)
from nightbay.network.adjusted_network import AdjustedNetwork
from nightbay.pipeline import typed

# A removed observation that is less than this times its limit off, |w| of 4.9, is as likely far noise as a blunder:
# the uncertainties then cover the solution with it and the one without.
DOUBTFUL = 1.5
# The bulk's variance factor counts as higher than declared beyond this many of its standard errors.
VARIANCE_SDS = 4


def network(
    upstream: Mapping[str, Any], sheet: Mapping[str, Any], settings: Any, folder: Path, threads: int
) -> dict[str, Any]:
    """Match, adjust and test the target lists of a part.

    Reads the lists that ``sheet`` names (paths relative to the working folder, which is the day's) and the working
    clouds of ``upstream["intake"]``, one a segment, on whose surfaces the lists must lie. Returns a
    :class:`nightbay.network.result.NetworkResult` as plain data, with ``notes``; ``poses`` is null, with the reason in
    ``mode_reason``, where there are no lists.
    Raises :class:`Rejected` with what to do for lists that do not make a network. Where the job sheet leaves out what
    can't be placed, segments whose lists do not suffice go on without them, and ``set_aside`` has the reasons.
    """
    read = _read(sheet, settings.scan)
    set_aside: dict[str, str] = {}
    while True:
        try:
            return _network(read, set_aside, upstream["intake"], sheet, settings)
        except Unplaced as unplaced:
            if sheet["unplaced"] != "leave_out":
                raise
            print(f"not used: {unplaced}")
            set_aside |= unplaced.reasons


def _network(
    read: tuple[TargetList | None, list[TargetList], list[str]],
    set_aside: Mapping[str, str],
    clouds: Sequence[Any],
    sheet: Mapping[str, Any],
    settings: Any,
) -> dict[str, Any]:
    """The stage's result without the lists that are ``set_aside`` {segment: reason}. ``read``: see :func:`_read`."""
    survey, segments, without_targets = read
    segments = [target_list for target_list in segments if target_list.name not in set_aside]
    lists = ([survey] if survey else []) + segments
    if not segments or len(lists) < 2:
        reason = "a single list of targets connects nothing"
        if not segments:
            reason = "no list of targets could be used" if set_aside else "no segment has a list of targets"
        print(f"no network: {reason}")
        result, notes = assembly.without_network(reason, sheet, without_targets, settings.network)
        result = replace(result, set_aside=dict(set_aside))
        return typed.write(result) | {"notes": notes}
    _check_on_surfaces(segments, clouds, settings)
    found = adjust_lists(lists, survey is not None, sheet["placed"], settings)
    result, notes = assembly.assemble(found, sheet, without_targets, settings)
    result = replace(result, set_aside=dict(set_aside))
    if settings.network.on_surface_least == 0:
        notes.append(
            "It was not checked whether each list of targets belongs to its cloud, since network.on_surface_least is 0."
        )
    return typed.write(result) | {"notes": notes}


def _check_on_surfaces(segments: Sequence[TargetList], clouds: Sequence[Any], settings: Any) -> None:
    """Refuse lists that do not lie on their clouds, unless the least share of targets on them is 0."""
    least = settings.network.on_surface_least
    if least == 0:
        return
    surfaces = {
        record.segment: list_surfaces.surface(CloudFile(record.folder), record.result["file"]) for record in clouds
    }
    faults = list_surfaces.faults(segments, surfaces, settings.scan.noise_mm, least)
    if faults:
        raise Unplaced(faults)


def adjust_lists(lists: Sequence[TargetList], has_survey: bool, placed: bool, settings: Any) -> AdjustedNetwork:
    """Match, adjust and test lists, the first of which holds the frame.

    ``placed``: the segments claim to be in the frame of the first list; ``settings``: sections network and scan.
    Raises :class:`Rejected` for lists that do not make a network.
    """
    scan, lists = settings.scan, list(lists)
    tolerance = pairing.Tolerance(scan.target_noise_mm, scan.target_drift_mm_per_m, settings.network.normal_deg)
    start = initial_poses.find(lists, tolerance, settings.network, placed)
    for name, match in start.matches.items():
        print(
            f"{name}: {len(match.rows_b)} common targets, {match.runner_up} in the next best pose, "
            f"{match.expected_false:.1e} false matches expected, matched by {match.by}"
        )
    survey, rows, duplicates = (lists[0] if has_survey else None), None, []
    if survey is not None:
        T = start.T_control_list[1:]
        duplicates = duplicate_targets.find(survey, lists[1:], T, tolerance, settings.network)
        refusals.check_duplicates(survey, duplicates, settings.network.duplicate_share_max)
        lists[0], rows = duplicate_targets.apply(survey, duplicates)
    identity = target_identity.identify(lists, start.T_control_list, tolerance, settings.network, start.order)
    observations, row = observe(lists, identity)
    snooped = remove_blunders(observations, identity.T_control_list, lists, settings)
    refusals.check_remaining(lists, observations, snooped.active)
    return AdjustedNetwork(
        lists=lists,
        start=start,
        identity=identity,
        observations=observations,
        row=row,
        snooped=snooped,
        variance_test=adjustment.chi_square_test(snooped.adjusted.solution),
        checks=_check(observations, snooped, settings),
        duplicates=duplicates,
        survey=survey,
        survey_rows=rows,
        notes=list(start.notes),
    )


def _read(sheet: Mapping[str, Any], scan: Any) -> tuple[TargetList | None, list[TargetList], list[str]]:
    """The survey or None, the segments' lists by name, and the names of segments without a list."""

    def read(name: str, raw: Mapping[str, Any]) -> TargetList:
        listed = targets.read(raw)
        covariance = target_noise.covariance(listed.xyz_mm, scan.target_noise_mm, smooth_drift(scan))
        return TargetList(name, raw["file"], listed.xyz_mm, covariance, listed.normal, listed.id, listed.diameter_mm)

    raw = sheet["control_survey"]
    survey = read(SURVEY, raw) if raw else None
    if survey is not None and len(survey) < matching.LEAST:
        raise Rejected(
            f"{raw['file']} lists {len(survey)} targets; at least four are needed: survey the vehicle again."
        )
    by_name = sorted(sheet["segments"].items())
    return (
        survey,
        [read(name, segment["targets"]) for name, segment in by_name if segment["targets"]],
        [name for name, segment in by_name if not segment["targets"]],
    )


def smooth_drift(scan: Any) -> float:
    """Smooth part of drift, mm/m: half of its variance distorts a list as a whole, the other half varies from one
    target to the next (common practice, no source)."""
    return float(scan.target_drift_mm_per_m / np.sqrt(2))


def observe(lists: Sequence[TargetList], identity: target_identity.Identity) -> tuple[model.Observations, np.ndarray]:
    """Observations of all identified entries, and the row in its list of each, (n,)."""
    number = np.concatenate([np.full(len(target_list), at) for at, target_list in enumerate(lists)])
    row = np.concatenate([np.arange(len(target_list)) for target_list in lists])
    target = np.concatenate(identity.target)
    use = target >= 0
    observations = model.Observations(
        np.concatenate([target_list.xyz_mm for target_list in lists])[use],
        np.concatenate([target_list.covariance_mm2 for target_list in lists])[use],
        number[use],
        target[use],
        np.ones(int(use.sum()), bool),
    )
    return observations, row[use]


def _check(observations: model.Observations, snooped: blunders.Snooped, settings: Any) -> check_targets.Checks | None:
    """The accuracy of a network by check targets, without its blunders."""
    drift_mm_per_m = smooth_drift(settings.scan)

    def adjust(active: np.ndarray) -> model.Adjusted:
        used = replace(observations, active=active)
        return model.adjust(used, snooped.adjusted.T_control_list, drift_mm_per_m=drift_mm_per_m)

    used = replace(observations, active=snooped.active)
    return check_targets.leave_group_out(adjust, used, settings.network.check_groups)


def _weighted(observations: model.Observations, active: np.ndarray, weight: np.ndarray) -> model.Observations:
    """The observations with other active ones, and covariances divided by weights (n,)."""
    return replace(observations, active=active, covariance_mm2=observations.covariance_mm2 / weight[:, None, None])


def _typical_variance(observations: model.Observations, T_start: np.ndarray, drift_mm_per_m: float) -> float:
    """Variance factor of the bulk of the observations, 1 unless it is higher beyond doubt.

    It is found before blunders are searched, since with too little noise declared every observation looks like one. A
    blunder in a small network enlarges all residuals. A high factor is therefore estimated again without the
    observations that lie far off in a robust adjustment.
    """

    def factor_of(active: np.ndarray) -> float:
        used = replace(observations, active=active)
        adjusted = model.adjust(used, T_start, drift_mm_per_m=drift_mm_per_m)
        tests = blunders.test(adjusted.residual_mm, observations.covariance_mm2, adjusted.Q_fitted, active)
        factor, sd = blunders.typical_variance(tests)
        return factor if factor > 1 + VARIANCE_SDS * sd else 1.0

    factor = factor_of(observations.active)
    if factor == 1.0:
        return factor

    def adjust(weight: np.ndarray) -> model.Adjusted:
        used = _weighted(observations, observations.active, weight)
        return model.adjust(used, T_start, drift_mm_per_m=drift_mm_per_m)

    bulk = observations.active & ~blunders.far_off(adjust, observations.active, observations.covariance_mm2)
    try:
        return factor_of(bulk)
    except adjustment.Undetermined:
        return factor


def remove_blunders(
    observations: model.Observations, T_start: np.ndarray, lists: Sequence[TargetList], settings: Any
) -> blunders.Snooped:
    """Adjust without blunders, after the variance factor of the bulk was found.

    Raises :class:`Rejected` when a pose is undetermined, the lists agree far worse than declared, or too little is
    left of a list.
    """
    drift_mm_per_m = smooth_drift(settings.scan)
    try:
        variance_factor = _typical_variance(observations, T_start, drift_mm_per_m)
    except adjustment.Undetermined:
        raise refusals.undetermined(lists, observations, observations.active) from None
    refusals.check_variance(variance_factor, settings)
    return snoop(observations, T_start, lists, settings, variance_factor)


def snoop(
    observations: model.Observations,
    T_start: np.ndarray,
    lists: Sequence[TargetList],
    settings: Any,
    variance_factor: float = 1.0,
) -> blunders.Snooped:
    """Adjust without blunders, whose tests multiply covariances by ``variance_factor``.

    Raises :class:`Rejected` when too little is left of a list.
    """
    T_last = T_start  # each adjustment starts where the last one ended, which saves most of its steps
    drift_mm_per_m = smooth_drift(settings.scan)

    def adjust(active: np.ndarray, weight: np.ndarray) -> model.Adjusted:
        nonlocal T_last
        try:
            adjusted = model.adjust(_weighted(observations, active, weight), T_last, drift_mm_per_m=drift_mm_per_m)
        except adjustment.Undetermined:
            refusals.check_remaining(lists, observations, active)
            raise refusals.undetermined(lists, observations, active) from None
        T_last = adjusted.T_control_list
        return adjusted

    snooped = blunders.snoop(
        adjust,
        observations.active,
        observations.covariance_mm2,
        observations.target,
        keep=observations.list_number == 0,
        levels=blunders.Levels(settings.network.test_significance, settings.network.test_power, variance_factor),
    )
    doubtful = ~snooped.active & (snooped.tests.times_limit < DOUBTFUL)
    if not doubtful.any():
        return snooped
    other = adjust(snooped.active | doubtful, np.ones(len(doubtful)))
    return replace(snooped, adjusted=model.covering_both(snooped.adjusted, other))
