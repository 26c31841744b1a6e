"""The numbers that the stage network leaves: everything the report and the stages after it read."""

import numpy as np

from nightbay.core import rigid
from nightbay.network import drift_numbers, notes, scale_factor


def none(reason, sheet, without, parameters):
    """Result of a part whose segments are not tied by targets."""
    scale = scale_factor.without_network(sheet, parameters)
    return {
        "mode": "none",
        "mode_reason": reason,
        "poses": None,
        "without_targets": without,
        "targets": [],
        **scale,
        "notes": notes.on_scale(scale, sheet),
    }


def build(found, sheet, without, parameters, scan):
    """The stage's result from a :class:`nightbay.network.network.Network`."""
    factor = found.chi_square["variance_factor"] if found.chi_square else 1.0
    # A network that agrees better than declared is no proof of less noise: covariances never shrink.
    too_high = bool(found.chi_square and factor > found.chi_square["high"])
    inflate = factor if too_high else 1.0
    scale = scale_factor.result(found, sheet, parameters, inflate)
    found = scale_factor.apply(found, scale["scale"]["factor"])
    has_survey = found.survey is not None
    target_rows = _targets(found, inflate)
    result = {
        "mode": "control" if has_survey else "free",
        "mode_reason": "control survey"
        if has_survey
        else "no control survey: the first segment by name holds the frame",
        "frame_of": found.lists[0].name,
        "poses": _poses(found, inflate),
        "without_targets": without,
        "targets": target_rows,
        "observations": _observations(found),
        "variance_factor": found.chi_square,
        "covariance_scaled_by": inflate,
        "blunders": _blunders(found),
        "doubles": _doubles(found),
        "moves": [_move(found, one) for one in found.tied.moves],
        "drift": drift_numbers.estimates(found, scan),
        "detectable": _detectable(found, parameters),
        "checks": _checks(found, inflate),
        "precision_rms_mm": _precision(found, inflate),
        **scale,
    }
    result["notes"] = found.notes + notes.notes(result, too_high, without) + notes.on_scale(scale, sheet)
    return result


def _floats(values):
    return np.asarray(values, float).tolist()


def _label(one, row):
    return one.id[row] if one.id is not None else None


def _poses(found, inflate):
    adjusted, observations = found.snooped.adjusted, found.observations
    active = found.snooped.active
    seen = np.bincount(observations.target[active], minlength=found.tied.count)
    poses = {}
    for at, one in enumerate(found.lists):
        if at == 0 and found.survey is not None:
            continue
        rows = active & (observations.station == at) & (seen[observations.target] >= 2)
        residual = adjusted.residual_mm[rows]
        covariance = adjusted.pose_covariance[at] * inflate
        T = adjusted.T_control_station[at]
        middle = rigid.transform(T, one.xyz_mm.mean(axis=0)[None])[0]
        about = rigid.covariance_at_origin(covariance, -middle)
        match = found.placed.matches.get(one.name)
        poses[one.name] = {
            "T_control_segment": _floats(T),
            "covariance": _floats((covariance + covariance.T) / 2),
            "middle_sd_mm": _floats(np.sqrt(np.maximum(np.diag(about)[3:], 0))),
            "turn_sd_deg": _floats(np.degrees(np.sqrt(np.maximum(np.diag(about)[:3], 0)))),
            "listed": len(one),
            "common": int(rows.sum()),
            "residual_rms_mm": float(np.sqrt((residual**2).sum(axis=1).mean())),
            "distortion_rms_mm": float(np.sqrt((adjusted.distortion_mm[rows] ** 2).sum(axis=1).mean())),
            "redundancy_mean": float(adjusted.redundancy[rows].mean()),
            "settled_by": match.by if match else "holds the frame",
            "runner_up": match.runner_up if match else None,
            "chance": match.chance if match else None,
        }
    return poses


def _targets(found, inflate):
    adjusted, observations = found.snooped.adjusted, found.observations
    disputed = {int(observations.target[row]) for pair in found.snooped.disputed for row in pair}
    rows = []
    order = np.argsort(observations.target, kind="stable")
    starts = np.searchsorted(observations.target[order], np.arange(found.tied.count + 1))
    for target in range(found.tied.count):
        mine = order[starts[target] : starts[target + 1]]
        taking_part = [int(row) for row in mine if found.snooped.active[row]]
        if not taking_part:
            continue  # only blunders saw it
        station = observations.station[mine[0]]
        rows.append(
            {
                "target": target,
                "id": _label(found.lists[station], found.row[mine[0]]),
                "xyz_mm": _floats(adjusted.xyz_mm[target]),
                "covariance_mm2": _floats(adjusted.covariance_mm2[target] * inflate),
                "seen_by": [found.lists[observations.station[row]].name for row in taking_part],
                "disputed": target in disputed,
            }
        )
    return rows


def _file_row(found, station, row):
    """Row in the file, from 1, of an entry of a list."""
    return int(found.survey_rows[row] if station == 0 and found.survey is not None else row) + 1


def _observations(found):
    """Every observation of a target that more than one list saw; others have no residual to speak of."""
    adjusted, observations, tests = found.snooped.adjusted, found.observations, found.snooped.tests
    seen = np.bincount(observations.target, minlength=found.tied.count)
    rows = []
    for at in np.flatnonzero(seen[observations.target] >= 2):
        station = int(observations.station[at])
        testable = np.isfinite(tests.detectable[at]).all()
        rows.append(
            {
                "list": found.lists[station].name,
                "row": _file_row(found, station, found.row[at]),
                "target": int(observations.target[at]),
                "used": bool(found.snooped.active[at]),
                "residual_mm": _floats(adjusted.residual_mm[at]),
                "w": _floats(tests.w[at]) if testable else None,
                "redundancy": _floats(adjusted.redundancy[at]),
                "detectable_mm": _floats(tests.detectable[at]) if testable else None,
            }
        )
    return rows


def _blunders(found):
    """Observations that were set aside, with the size of the blunder and its standard deviation."""
    adjusted, observations, snooped = found.snooped.adjusted, found.observations, found.snooped
    disputed = dict(snooped.disputed)
    rows = []
    for at in np.flatnonzero(~snooped.active):
        station = int(observations.station[at])
        sd = np.sqrt(np.trace(observations.covariance_mm2[at] + adjusted.Q_fitted[at]) / 3)
        other = disputed.get(at)
        rows.append(
            {
                "list": found.lists[station].name,
                "row": _file_row(found, station, found.row[at]),
                "id": _label(found.lists[station], found.row[at]),
                "target": int(observations.target[at]),
                "size_mm": float(np.linalg.norm(adjusted.residual_mm[at])),
                "sd_mm": float(sd),
                "excess": float(snooped.tests.excess[at]),
                "in_dispute_with": None if other is None else found.lists[observations.station[other]].name,
            }
        )
    return rows


def _detectable(found, parameters):
    """Smallest blunder that the tests find, over the observations in use: the worst coordinate of each counts."""
    rows = np.flatnonzero(found.snooped.active & np.isfinite(found.snooped.tests.detectable).all(axis=1))
    if len(rows) == 0:
        return None
    least = found.snooped.tests.detectable[rows].max(axis=1)
    worst = rows[np.argmax(least)]
    station = int(found.observations.station[worst])
    return {
        "count": len(rows),
        "median_mm": float(np.median(least)),
        "p95_mm": float(np.quantile(least, 0.95)),
        "max_mm": float(least.max()),
        "max_at": {"list": found.lists[station].name, "row": _file_row(found, station, found.row[worst])},
        "significance": parameters["test_significance"],
        "power": parameters["test_power"],
    }


def _doubles(found):
    return [
        {
            "rows": [row + 1 for row in one.rows],
            "ids": [_label(found.survey, row) for row in one.rows],
            "xyz_mm": _floats(found.survey.xyz_mm[list(one.rows)].mean(axis=0)),
            "distance_mm": one.distance_mm,
            "path_m": one.path_m,
            "verdict": one.verdict,
            "evidence": one.evidence,
        }
        for one in found.doubles
    ]


def _move(found, one):
    def shift(what):
        size = float(np.linalg.norm(what.vector_mm))
        along = what.vector_mm / max(size, 1e-300)
        return {
            "vector_mm": _floats(what.vector_mm),
            "size_mm": size,
            "size_sd_mm": float(np.sqrt((along * what.sd_mm) @ (along * what.sd_mm))),
            "angle_deg": what.angle_deg,
            "angle_sd_deg": what.angle_sd_deg,
        }

    return {
        "segment": one.segment,
        "rows": [int(row) + 1 for row in one.rows],
        "targets": [int(target) for target in one.targets],
        "against": one.body_count,
        "group": shift(one.shift),
        "body": shift(one.body_shift),
        "p": one.shift.p,
    }


def _checks(found, inflate):
    checks = found.checks
    if checks is None:
        return None
    size = np.linalg.norm(checks.error_mm, axis=1)
    return {
        "count": len(size),
        "needed": checks.needed,
        "rms_mm": checks.rms_mm,
        "expected_rms_mm": checks.expected_rms_mm * float(np.sqrt(inflate)),
        "p95_mm": float(np.quantile(size, 0.95)),
        "max_mm": float(size.max()),
        "errors": [
            {
                "target": int(target),
                "list": found.lists[found.observations.station[row]].name,
                "error_mm": _floats(error),
                "size_mm": float(np.linalg.norm(error)),
            }
            for row, target, error in zip(checks.row, checks.target, checks.error_mm, strict=True)
        ],
    }


def _precision(found, inflate):
    """RMS standard deviation of an adjusted target that more than one list saw, mm, all three coordinates together."""
    active = found.snooped.active
    seen = np.bincount(found.observations.target[active], minlength=found.tied.count)
    variance = np.einsum("tii->t", found.snooped.adjusted.covariance_mm2[seen >= 2])
    return float(np.sqrt(variance.mean() * inflate))
