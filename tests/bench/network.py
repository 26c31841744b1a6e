"""Bench of target networks against simulated truth: coverage, blunders, matching, motions, duplicates, cost.

Usage: bash tests/bench/run.sh network [share of the full counts, default 1]

Settings are those of config/config.yaml; matching alone runs with a drift of 0.1 mm/m, see network_matching.py.
"""

import contextlib
import io
import json
import resource
import sys
import time
from pathlib import Path

import network_matching
import numpy as np
import yaml
from scipy import stats

import networks
from nightbay.core import rigid
from nightbay.matching import pairing
from nightbay.network import duplicate_targets, model, network, target_identity
from nightbay.pipeline.settings import settings

CONFIG = yaml.safe_load((Path(__file__).resolve().parents[2] / "config/config.yaml").read_text())
SETTINGS = settings({"network": CONFIG["network"], "scan": CONFIG["scan"]})
NOISE_MM, DRIFT = SETTINGS.scan.target_noise_mm, SETTINGS.scan.target_drift_mm_per_m
SMOOTH = network.smooth_drift(SETTINGS.scan)
SIMULATED = {"noise_mm": NOISE_MM, "drift_mm_per_m": SMOOTH, "warp": np.sqrt(3) * SMOOTH}
"""Noise as the weights take it: half of the drift's variance for every target, half as a distortion of the list."""
CENTRES = np.array([[2250, 0, 0], [-2250, 0, 0], [0, 900, 0], [0, -900, 0], [0, 0, 700], [1500, 900, 300],
                    [-1500, 900, 300], [1500, -900, 300]], float)  # fmt: skip
"""Where segments look: front, rear, sides, roof, corners."""


def simulated(rng, count, seen, segments, **more):
    """A survey and segments: lists, their poses T_truth_list, the true number of each entry."""
    truth = networks.body(rng, count)
    noise = SIMULATED | more
    records = [networks.record(truth, np.arange(count), rng, name="control survey", **noise)]
    for at in range(segments):
        numbers = networks.patch(truth, rng, seen, CENTRES[at])
        records.append(networks.record(truth, numbers, rng, name=f"s{at}", **noise))
    return truth, *map(list, zip(*records, strict=True))


def tied(lists, poses, numbers):
    """Observations with every target known, and start poses as matching gives them."""
    start = np.array([rigid.invert(poses[0]) @ T for T in poses])
    list_number = np.concatenate([np.full(len(one), at) for at, one in enumerate(lists)])
    _, target = np.unique(np.concatenate(numbers), return_inverse=True)
    observations = model.Observations(
        np.vstack([one.xyz_mm for one in lists]),
        np.concatenate([one.covariance_mm2 for one in lists]),
        list_number,
        target,
        np.ones(len(list_number), bool),
    )
    return observations, start


def coverage(count):
    """Coverage of 95 % regions and efficiency over networks that go through the whole stage."""
    inside, inside_pose, total, total_pose, squared, bound = 0, 0, 0, 0, 0.0, 0.0
    for seed in range(count):
        rng = np.random.default_rng([seed, 41])
        truth, lists, poses, numbers = simulated(rng, 40, 18, 4, missing=0.1, spurious=0.1)
        with contextlib.redirect_stdout(io.StringIO()):
            found = network.adjust_lists(lists, True, False, SETTINGS)
        adjusted, observations = found.snooped.adjusted, found.observations
        seen = np.bincount(observations.target[found.snooped.active], minlength=found.identity.count)
        true = rigid.transform(rigid.invert(poses[0]), truth.xyz_mm)
        number = np.full(found.identity.count, -1)
        for at, row, target in zip(observations.list_number, found.row, observations.target, strict=True):
            row = found.survey_rows[row] if at == 0 else row
            number[target] = max(number[target], numbers[at][row])
        use = np.flatnonzero((seen >= 2) & (number >= 0))
        error = adjusted.xyz_mm[use] - true[number[use]]
        covariance = adjusted.covariance_mm2[use]
        distance = np.einsum("ni,nij,nj->n", error, np.linalg.inv(covariance), error)
        inside += int((distance <= stats.chi2.ppf(0.95, 3)).sum())
        total += len(use)
        squared += float((error**2).sum())
        bound += float(np.einsum("nii->", covariance))
        for at in range(1, len(lists)):
            motion = model.small_motion(adjusted.T_control_list[at] @ rigid.invert(rigid.invert(poses[0]) @ poses[at]))
            inside_pose += motion @ np.linalg.solve(adjusted.pose_covariance[at], motion) <= stats.chi2.ppf(0.95, 6)
            total_pose += 1
    return {
        "coverage_95": inside / total,
        "coverage_95_pose": float(inside_pose / total_pose),
        "efficiency": float(np.sqrt(squared / bound)),
        "networks": count,
    }


def snoop(observations, start):
    return network.snoop(observations, start, [], SETTINGS)


def blunder_tests(count):
    """Single blunders of 8 sd, one in ten, and none: shares found and false alarms an observed coordinate."""
    single, several, planted, alarms, coordinates = 0, 0, 0, 0, 0
    for seed in range(count):
        rng = np.random.default_rng([seed, 42])
        _, lists, poses, numbers = simulated(rng, 40, 20, 4)
        observations, start = tied(lists, poses, numbers)
        clean = model.adjust(observations, start, drift_mm_per_m=SMOOTH)
        strong = np.flatnonzero(clean.redundancy.min(axis=1) >= 0.5)
        sd = np.sqrt(observations.covariance_mm2[:, 0, 0])
        alarms += int((~snoop(observations, start).active).sum())
        coordinates += 3 * len(sd)
        row = int(rng.choice(strong))
        single += row in _flagged(snoop(_with_blunders(observations, [row], 8 * sd[[row]], rng), start))
        rows = rng.choice(strong, len(sd) // 10, replace=False)
        sizes = sd[rows] * rng.uniform(8, 40, len(rows))
        found = _flagged(snoop(_with_blunders(observations, rows, sizes, rng), start))
        several += len(found & set(rows.tolist()))
        planted += len(rows)
    return {
        "blunder_found": single / count,
        "false_alarms": alarms / coordinates,
        "several_blunders_found": several / planted,
        "several_blunders_planted": planted,
    }


def _with_blunders(observations, rows, sizes, rng):
    xyz = observations.xyz_mm.copy()
    xyz[rows, rng.integers(0, 3, len(rows))] += sizes * rng.choice([-1, 1], len(rows))
    return model.Observations(
        xyz, observations.covariance_mm2, observations.list_number, observations.target, observations.active
    )


def _flagged(snooped):
    """Rows set aside, and those of which it is said that they may be the wrong one instead."""
    return set(np.flatnonzero(~snooped.active).tolist()) | {row for pair in snooped.disputed for row in pair}


def moves(count):
    """A body that moved 1 mm or more against targets on wheels and ground, and one that did not."""
    tolerance = pairing.Tolerance(NOISE_MM, DRIFT)
    found, alarms, within = 0, 0, 0
    for seed in range(count):
        rng = np.random.default_rng([seed, 43])
        truth = networks.body(rng, 60)
        numbers = networks.patch(truth, rng, int(rng.integers(12, 40)), CENTRES[rng.integers(5)])
        low = numbers[np.argsort(truth.xyz_mm[numbers, 2])][: rng.integers(5, len(numbers) // 2)]
        survey, T_survey, _ = networks.record(truth, np.arange(60), rng, name="control survey", **SIMULATED)
        size = np.exp(rng.uniform(0, np.log(7)))
        for shift in (0.0, size):
            way = rng.normal(size=3)
            way *= shift / np.linalg.norm(way)
            xyz = truth.xyz_mm.copy()
            xyz[low] += way
            segment, T, _ = networks.record(networks.Truth(xyz, truth.normal), numbers, rng, name="s", **SIMULATED)
            start = np.array([np.eye(4), rigid.invert(T_survey) @ T])
            moved = target_identity.identify([survey, segment], start, tolerance, SETTINGS.network).moved
            if shift == 0:
                alarms += len(moved) > 0
            elif moved:
                found += 1
                true = rigid.rotate(rigid.invert(T_survey), way[None])[0]
                within += bool((np.abs(moved[0].shift.vector_mm - true) < 4 * moved[0].shift.sd_mm).all())
    return {
        "moved_found": found / count,
        "moved_false_alarms": alarms / count,
        "moved_within_4_sd": within / max(found, 1),
    }


def twice(count):
    """Targets recorded twice, 0.5 to 5 mm apart, and genuine pairs of targets 8 to 15 mm apart."""
    tolerance = pairing.Tolerance(NOISE_MM, DRIFT)
    found, planted, kept, genuine = 0, 0, 0, 0
    for seed in range(count):
        rng = np.random.default_rng([seed, 44])
        truth = networks.body(rng, 60)
        near = rng.choice(60, 4, replace=False)
        aside = np.cross(truth.normal[near], rng.normal(size=(4, 3)))
        aside *= rng.uniform(8, 15, (4, 1)) / np.linalg.norm(aside, axis=1, keepdims=True)
        truth = networks.Truth(
            np.vstack([truth.xyz_mm, truth.xyz_mm[near] + aside]), np.vstack([truth.normal, truth.normal[near]])
        )
        again = rng.choice(60, 4, replace=False)
        way = rng.normal(size=(4, 3))
        way *= rng.uniform(0.5, 5, (4, 1)) / np.linalg.norm(way, axis=1, keepdims=True)
        surveyed = networks.Truth(
            np.vstack([truth.xyz_mm, truth.xyz_mm[again] + way]), np.vstack([truth.normal, truth.normal[again]])
        )
        survey, T_survey, listed = networks.record(surveyed, np.arange(68), rng, name="control survey", **SIMULATED)
        segments, poses = [], []
        for at in range(5):
            one, T, _ = networks.record(
                truth, networks.patch(truth, rng, 26, CENTRES[at]), rng, name=f"s{at}", missing=0.1, **SIMULATED
            )
            segments.append(one)
            poses.append(rigid.invert(T_survey) @ T)
        judged = duplicate_targets.find(survey, segments, np.array(poses), tolerance, SETTINGS.network)
        merged = {frozenset(listed[list(one.rows)].tolist()) for one in judged if one.verdict in ("joined", "dropped")}
        doubled = [frozenset(pair) for pair in zip(again.tolist(), range(64, 68), strict=True)]
        pairs = [frozenset(pair) for pair in zip(near.tolist(), range(60, 64), strict=True)]
        found += sum(pair in merged for pair in doubled)
        planted += 4
        kept += sum(pair not in merged for pair in pairs)
        genuine += 4
    return {"doubled_found": found / planted, "genuine_pairs_kept": kept / genuine}


def largest():
    """Time and memory of 600 targets in the survey and 8 segments of 200."""
    rng = np.random.default_rng(45)
    _, lists, _, _ = simulated(rng, 600, 200, 8, missing=0.2, spurious=0.25)
    start = time.perf_counter()
    with contextlib.redirect_stdout(io.StringIO()):
        network.adjust_lists(lists, True, False, SETTINGS)
    return {
        "largest_s": time.perf_counter() - start,
        "largest_peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }


def main(share):
    result = {}
    for part, full in ((coverage, 1000), (blunder_tests, 1000), (moves, 1000), (twice, 500)):
        start = time.perf_counter()
        result |= part(max(int(full * share), 5))
        print(part.__name__, f"{time.perf_counter() - start:.0f} s", json.dumps(result), flush=True)
    result |= largest()
    result |= network_matching.run(max(int(10_000 * share), 20))
    print(json.dumps(result))


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 1.0)
