"""The stage network: one adjustment of the control survey and the target lists of all segments of a part."""

from dataclasses import dataclass, replace

import numpy as np

from nightbay.clouds.cloud import CloudFile
from nightbay.core import target_noise
from nightbay.core.errors import Rejected
from nightbay.matching import initial_poses, list_groups, matching, pairing, targets
from nightbay.network import (
    adjustment,
    blunders,
    check_targets,
    list_surfaces,
    model,
    outcome,
    refusals,
    target_identity,
)
from nightbay.network import duplicate_targets as doubles

# An observation set aside that is less than this times its limit off, |w| of 4.9, is as likely far noise as a blunder:
# uncertainties then hold the answer with it and the one without.
DOUBTFUL = 1.5


@dataclass(frozen=True)
class Network:
    """All that was found out about the targets of a part; ``lists[0]`` holds the frame.

    ``survey_rows`` (n,): row in the survey's file of each entry of ``lists[0]``, None without a survey.
    """

    lists: list
    placed: initial_poses.Placed
    tied: target_identity.Ties
    observations: model.Observations
    row: np.ndarray  # (n,) row in its list of each observation
    snooped: blunders.Snooped
    chi_square: dict
    checks: check_targets.Checks | None
    doubles: list
    survey: initial_poses.TargetList | None
    survey_rows: np.ndarray | None
    notes: list


def network(upstream, sheet, settings, folder, threads):
    """Match, adjust and test the target lists of a part.

    Reads the lists that ``sheet`` names (paths relative to the working folder, which is the day's) and the working
    clouds of ``upstream["intake"]``, one a segment, on whose surfaces the lists must lie. Returns the
    numbers of workflow/schemas/network.schema.json; ``poses`` is null, with the reason in ``mode_reason``, where there
    are no lists.
    Raises :class:`Rejected` with what to do for lists that do not make a network.
    """
    parameters, scan = settings["network"], settings["scan"]
    survey, segments, without = _read(sheet, scan)
    lists = ([survey] if survey else []) + segments
    if not segments or len(lists) < 2:
        reason = (
            "no segment has a list of targets" if not segments else "a single list of targets ties nothing together"
        )
        print(f"no network: {reason}")
        return outcome.none(reason, sheet, without, parameters)
    _check_on_surfaces(segments, upstream["intake"], scan["noise_mm"], parameters["on_surface_least"])
    found = adjust_lists(lists, survey is not None, sheet["placed"], parameters, scan)
    result = outcome.build(found, sheet, without, parameters, scan)
    if parameters["on_surface_least"] == 0:
        result["notes"].append(
            "Whether each list of targets belongs to its cloud was not judged, as network.on_surface_least is 0."
        )
    return result


def _check_on_surfaces(segments, taken, noise_mm, least):
    """Refuse lists that do not lie on the clouds ``taken`` in with them; ``least`` 0: nothing is judged."""
    if least == 0:
        return
    surfaces = {one.segment: list_surfaces.surface(CloudFile(one.folder), one.result["file"]) for one in taken}
    foreign = list_surfaces.faults(segments, surfaces, noise_mm, least)
    if foreign:
        raise Rejected(" ".join(foreign))


def adjust_lists(lists, has_survey, placed, parameters, scan):
    """The :class:`Network` of lists, the first of which holds the frame."""
    tolerance = pairing.Tolerance(scan["target_noise_mm"], scan["target_drift_mm_per_m"], parameters["normal_deg"])
    start = initial_poses.place(lists, tolerance, parameters, placed)
    for name, match in start.matches.items():
        print(
            f"{name}: {len(match.rows_b)} common targets, next best pose {match.runner_up}, "
            f"chance {match.chance:.1e}, settled by {match.by}"
        )
    survey, rows, twice = (lists[0] if has_survey else None), None, []
    if has_survey:
        twice = doubles.find(survey, lists[1:], start.T_control_station[1:], tolerance, parameters)
        refusals.unfit(survey, twice, parameters)
        cleaned, rows = doubles.apply(survey, twice)
        lists = [cleaned, *lists[1:]]
    tied = target_identity.tie(lists, start.T_control_station, tolerance, parameters, start.order)
    observations, row = observe(lists, tied)
    drift = smooth(scan)
    try:
        typical = _typical_variance(observations, tied.T_control_station, drift)
    except adjustment.Undetermined:
        raise refusals.undetermined(lists, observations, observations.active) from None
    refusals.variance(typical, parameters, scan)
    snooped = snoop(observations, tied.T_control_station, parameters, drift, lists, typical)
    refusals.thin(lists, observations, snooped.active)
    chi_square = adjustment.chi_square_test(snooped.adjusted.solution)
    checks = check_targets.leave_group_out(
        lambda active: model.adjust(
            _with(observations, active), snooped.adjusted.T_control_station, drift_mm_per_m=drift
        ),
        _with(observations, snooped.active),
        parameters["check_groups"],
    )
    return Network(
        lists, start, tied, observations, row, snooped, chi_square, checks, twice, survey, rows, list(start.notes)
    )


def _read(sheet, scan):
    """The survey or None, the segments' lists by name, and the names of segments without a list."""

    def one(name, raw):
        read = targets.read(raw)
        covariance = target_noise.covariance(read.xyz_mm, scan["target_noise_mm"], smooth(scan))
        return initial_poses.TargetList(
            name, raw["file"], read.xyz_mm, covariance, read.normal, read.id, read.diameter_mm
        )

    raw = sheet["control_survey"]
    survey = one(list_groups.SURVEY, raw) if raw else None
    if survey and len(survey) < matching.LEAST:
        raise Rejected(
            f"{raw['file']} lists {len(survey)} targets; at least four are needed: survey the vehicle again."
        )
    named = sorted(sheet["segments"].items())
    return (
        survey,
        [one(name, segment["targets"]) for name, segment in named if segment["targets"]],
        [name for name, segment in named if not segment["targets"]],
    )


def smooth(scan):
    """Smooth part of drift, mm/m: half of its variance bends a list as a whole, the other half comes and goes from one
    target to the next (common practice, no source)."""
    return scan["target_drift_mm_per_m"] / np.sqrt(2)


def observe(lists, tied):
    """Observations of all tied entries, and the row in its list of each, (n,)."""
    station = np.concatenate([np.full(len(one), at) for at, one in enumerate(lists)])
    row = np.concatenate([np.arange(len(one)) for one in lists])
    target = np.concatenate(tied.target)
    use = target >= 0
    observations = model.Observations(
        np.concatenate([one.xyz_mm for one in lists])[use],
        np.concatenate([one.covariance_mm2 for one in lists])[use],
        station[use],
        target[use],
        np.ones(int(use.sum()), bool),
    )
    return observations, row[use]


def _with(observations, active, weight=None):
    """The observations with other active ones, and covariances divided by weights (n,)."""
    covariance = observations.covariance_mm2
    return model.Observations(
        observations.xyz_mm,
        covariance if weight is None else covariance / weight[:, None, None],
        observations.station,
        observations.target,
        active,
    )


def _typical_variance(observations, T_start, drift_mm_per_m):
    """Variance factor of the bulk of the observations, 1 unless it is higher beyond doubt.

    Found before blunders are looked for, since with too little noise declared every observation passes for one. A
    blunder in a small network draws all residuals along: a high factor is looked at again without what a start that no
    few observations can draw aside calls far off.
    """

    def factor_of(active):
        adjusted = model.adjust(_with(observations, active), T_start, drift_mm_per_m=drift_mm_per_m)
        tests = blunders.test(adjusted.residual_mm, observations.covariance_mm2, adjusted.Q_fitted, active)
        factor, sd = blunders.typical_variance(tests)
        return factor if factor > 1 + 4 * sd else 1.0

    factor = factor_of(observations.active)
    if factor == 1.0:
        return factor

    def adjust(weight):
        return model.adjust(_with(observations, observations.active, weight), T_start, drift_mm_per_m=drift_mm_per_m)

    bulk = observations.active & ~blunders.far_off(adjust, observations.active, observations.covariance_mm2)
    try:
        return factor_of(bulk)
    except adjustment.Undetermined:
        return factor


def snoop(observations, T_start, parameters, drift_mm_per_m, lists, variance_factor=1.0):
    """Adjust without blunders; returns :class:`nightbay.network.blunders.Snooped`.

    Raises :class:`Rejected` when too little is left of a list.
    """
    poses = [T_start]  # each adjustment starts where the last one ended, which saves most of its steps

    def adjust(active, weight):
        try:
            adjusted = model.adjust(_with(observations, active, weight), poses[0], drift_mm_per_m=drift_mm_per_m)
        except adjustment.Undetermined:
            refusals.thin(lists, observations, active)
            raise refusals.undetermined(lists, observations, active) from None
        poses[0] = adjusted.T_control_station
        return adjusted

    snooped = blunders.snoop(
        adjust,
        observations.active,
        observations.covariance_mm2,
        observations.target,
        keep=observations.station == 0,
        significance=parameters["test_significance"],
        power=parameters["test_power"],
        variance_factor=variance_factor,
    )
    doubtful = ~snooped.active & (snooped.tests.excess < DOUBTFUL)
    if not doubtful.any():
        return snooped
    other = adjust(snooped.active | doubtful, np.ones(len(doubtful)))
    return replace(snooped, adjusted=model.holding_both(snooped.adjusted, other))
