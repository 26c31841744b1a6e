"""How surely a run that lost its track is found, and how often a sound run raises an alarm.

Usage: bash tests/bench/run.sh interior_slips [clean runs, default 24] [runs of each size, default 1] [points]

The load bay of the demo's van, scanned from inside as in the demo, every point in the order of capture, 0.1 mm noise.
The geometry of two runs is simulated once; each trial draws noise, drift and slip anew. A third of the trials drift
as the demo's jobs with targets (0.03 mm/m of the distance from the start), a third as those without (0.1 mm/m), and a
third by 0.1 mm for each metre of path, in a direction that changes over 1.5 m. A slip of s mm also turns the scanner
by s / 20 degrees, up to 1. The last line is one JSON object:

- ``slip_false_alarms``: share of sound runs in which a slip is reported, of ``slip_clean_runs``;
- ``slip_found_share``: share of slipped runs with exactly one slip reported, by size in mm;
- ``slip_index_error``: median distance of the reported first displaced point from the true one, share of the run;
- ``slip_residual_mm``: root mean square displacement that the points after the slip keep, median by size; drift apart;
- ``slip_nees``: squared Mahalanobis distance of the found motion from the true one over six, mean; 1 is honest;
- ``slip_not_moved``: share of the reported slips whose piece stays as scanned.
"""

import dataclasses
import json
import sys

import numpy as np
from scipy.ndimage import gaussian_filter1d

import scan_errors
import scenario
import simulate
from nightbay.core import rigid
from nightbay.tracking import slips, step_test

NOISE_MM, DRIFT_MM_PER_M = scenario.NOISE_MM, scenario.DRIFT_MM_PER_M
SIZES_MM = (0.5, 1.0, 2.0, 5.0, 20.0)
DRIFTS = (("start", 0.03), ("start", 0.1), ("path", 0.1))
CHORD_MM = 10.0


def geometry(points, runs=("fore", "aft")):
    """Scans of the load bay without errors, each with its points in the order of capture."""
    job = next(job for job in scenario.JOBS if job.part == "interior")
    body = scenario.BODIES[job.body](CHORD_MM)
    found = []
    for number, run in enumerate(run for run in job.runs if run.name in runs):
        views = scenario.views(job, run, body, number)
        scan = simulate.scan(
            body, views, points=points, noise_mm=0.0, seed=number, faults=scenario.faults(job, run), ground=False
        )
        found.append((scan, simulate.in_order(scan.all_points())))
    return found


def by_path(views, mm_per_m, rng):
    """A walk whose speed is so many mm for each metre of path: errors of position (v, 3) mm, orientation (v, 3) rad."""
    step = np.diff(views.travelled_mm, prepend=0.0) / 1000.0
    sigma = 1.5 / max(step.mean(), 1e-9)
    speed = gaussian_filter1d(rng.normal(size=(len(step), 6)), sigma, axis=0, mode="reflect")
    speed *= mm_per_m / np.sqrt(3) / speed.std()
    walked = np.cumsum(speed * step[:, None], axis=0)
    return walked[:, :3], walked[:, 3:] / 3000.0


def trial(scan, points, drift, losses, seed):
    """Points of a trial in the segment frame (n, 3), the true motion of what comes after the slip (4, 4) and the number
    of the first displaced point."""
    rng = np.random.default_rng([seed, 77])
    kind, rate = drift
    walk = scan_errors.walk(scan.views, rate, rng) if kind == "start" else by_path(scan.views, rate, rng)
    failing = dataclasses.replace(scan.faults, losses=losses)
    lost = scan_errors.losses(scan.views, failing, rng)
    run = dataclasses.replace(scan, drift_mm=walk[0], turn_rad=walk[1], faults=failing, lost=lost)
    beam = points.true_mm - scan.views.position_mm[points.view]
    beam /= np.linalg.norm(beam, axis=1, keepdims=True)
    seen = run.drifted(points.true_mm + rng.normal(0, NOISE_MM, (len(beam), 1)) * beam, points.view)
    T_segment_vehicle = rigid.invert(scan.T_vehicle_segment)
    motion = T_segment_vehicle @ lost[-1] @ scan.T_vehicle_segment
    first = np.searchsorted(points.view, np.argmax(np.abs(lost - np.eye(4)).max(axis=(1, 2)) > 0)) if losses else 0
    return rigid.transform(T_segment_vehicle, seen), motion, int(first)


def false_alarms(scenes, runs):
    """Share of sound runs in which a slip is reported."""
    alarms = 0
    for number in range(runs):
        scan, points = scenes[number % len(scenes)]
        xyz, _, _ = trial(scan, points, DRIFTS[number % 3], (), 1000 + number)
        found = slips.find(xyz, points.normals, None, NOISE_MM, DRIFT_MM_PER_M, move=False).tracking
        alarms += bool(found.slips)
        if found.slips:
            print("alarm", number, DRIFTS[number % 3], [(slip.at_share, slip.shift_mm) for slip in found.slips])
    return alarms / runs


def detection(scenes, size_mm, runs):
    """Rows (found, index error, residual mm, squared Mahalanobis distance over six, moved) of runs with one slip."""
    rows = []
    for number in range(runs):
        scan, points = scenes[number % len(scenes)]
        seed = 5000 + 100 * number + int(10 * size_mm)
        share = float(np.random.default_rng(seed).uniform(0.15, 0.85))
        losses = ((share, size_mm, min(size_mm / 20.0, 1.0)),)
        xyz, motion, first = trial(scan, points, DRIFTS[number % 3], losses, seed)
        track = slips.find(xyz, points.normals, None, NOISE_MM, DRIFT_MM_PER_M, move=True)
        found = track.tracking.slips
        placed, _ = track.placed(xyz, None, 0)
        undone = rigid.invert(motion)
        left = placed[first:] - rigid.transform(undone, xyz[first:])
        residual = float(np.sqrt(np.mean(np.sum(left**2, axis=1))))
        index, nees, moved = np.nan, np.nan, np.nan
        if len(found) == 1:
            index = abs(found[0].at_point - 1 - first) / len(xyz)
            moved = float(found[0].moved)
            error = step_test.parameters(found[0].T_segment_later @ motion, np.zeros(3))
            error[:3] /= step_test.links.LEVER_MM
            nees = float(error @ np.linalg.solve(found[0].covariance, error)) / 6 if found[0].moved else np.nan
        rows.append((len(found) == 1, index, residual, nees, moved))
        print(
            f"{size_mm} mm, {DRIFTS[number % 3]}: {len(found)} found, index {index:.5f}, left {residual:.2f} mm, "
            f"nees {nees:.2f}",
            flush=True,
        )
    return np.array(rows, float)


def figures(clean_runs=24, runs=1, points=240_000):
    """The figures of this benchmark, see above, as a dictionary."""
    scenes = geometry(points)
    result = {"slip_clean_runs": clean_runs, "slip_false_alarms": false_alarms(scenes, clean_runs)}
    print(json.dumps(result), flush=True)
    tables = {size: detection(scenes, size, runs) for size in SIZES_MM}
    every = np.concatenate(list(tables.values()))
    return result | {
        "slip_runs_a_size": runs,
        "slip_found_share": {str(size): round(float(table[:, 0].mean()), 3) for size, table in tables.items()},
        "slip_index_error": round(float(np.nanmedian(every[:, 1])), 6),
        "slip_residual_mm": {str(size): round(float(np.median(table[:, 2])), 3) for size, table in tables.items()},
        "slip_nees": round(float(np.nanmean(every[:, 3])), 2),
        "slip_not_moved": round(float(1 - np.nanmean(every[:, 4])), 3),
    }


if __name__ == "__main__":
    print(json.dumps(figures(*(int(word) for word in sys.argv[1:]))))
