"""The vehicle frame and the dimensions of the demo's exteriors, over seeds, through the whole chain in this process.

    bash tests/bench/run.sh measure_frame [--points 300000] [--seeds 20] [--first 101] [--processes 2]

Each seed is another day of the demo generator: other scans, poses, targets and faults of the same two invented
vehicles, a panel van and a compact in turn. Intake, clean, network, refine, frame, fuse, fill and measure run on it as
in a night. Of the frame, the errors are those against the true one: `frame_mm` is the largest coordinate of the part's
middle, `frame_deg` the largest rotation, both as the root mean square over the seeds. `coverage_95` asks for the truth
within the uncertainty on either side; for `coverage_95_bounds` a value that is said to be a least one may be exceeded.
`wrong_undoubted` is the share of stated dimensions outside of their uncertainty that name no cause of unknown size.
"""

import argparse
import functools
import json
import multiprocessing
import sys
import tempfile
from collections import defaultdict
from contextlib import redirect_stdout
from pathlib import Path

import more_dimensions
import numpy as np

import chained_stages
import make_day
import scenario
from nightbay.core import rigid
from nightbay.meshes import surface

EXTERIORS = ("larch-van", "pebble-compact")
DIMENSIONS = ("length", "width", "width_over_mirrors", "height", "wheelbase")
CHORD_MM = 0.1  # faces lie inside of convex ends by up to this, which the lengths of their vertices do not show
LEFT_OUT = ("reduce", "deliver", "join", "report")


def measured(points=300_000, seeds=20, first=101, processes=None):
    """All figures: of the frame, of the dimensions, and by dimension; vehicles in ``processes`` beside each other, by
    default as many as there are processors."""
    vehicles = [(EXTERIORS[number % len(EXTERIORS)], points, first + number) for number in range(seeds)]
    rows = []
    with multiprocessing.get_context("spawn").Pool(processes) as pool:
        for row in pool.imap(_judged, vehicles):
            rows.append(row)
            print(json.dumps(row), file=sys.stderr, flush=True)
    frames = np.array([row["frame"] for row in rows if row["frame"] is not None])
    errors = defaultdict(list)
    for row in rows:
        for name, found in row["dimensions"].items():
            errors[name].append(found)
    pairs = np.array([pair for found in errors.values() for pair in found])
    stated = len(pairs) / (len(rows) * len(DIMENSIONS))
    return {
        "frame_mm": rms(frames[:, :3].max(axis=1)),
        "frame_deg": rms(frames[:, 3:].max(axis=1)),
        "frame_worst_mm": float(frames[:, :3].max()),
        "frame_worst_deg": float(frames[:, 3:].max()),
        "coverage_95": float(np.mean(np.abs(pairs[:, 0]) <= pairs[:, 1])),
        "coverage_95_bounds": float(
            np.mean((np.abs(pairs[:, 0]) <= pairs[:, 1]) | ((pairs[:, 2] == 1) & (pairs[:, 0] < 0)))
        ),
        "wrong_undoubted": float(np.mean((np.abs(pairs[:, 0]) > pairs[:, 1]) & (pairs[:, 3] == 0))),
        "doubted": float(np.mean(pairs[:, 3])),
        "least_values": int(pairs[:, 2].sum()),
        "dimension_median_mm": float(np.median(np.abs(pairs[:, 0]))),
        "dimensions_stated": stated,
        "points": points,
        "seeds": seeds,
        "frame_refused": len(rows) - len(frames),
        **more_dimensions.figures([row["more"] for row in rows if row["more"] is not None]),
        "by_dimension": {name: of_dimension(np.array(found)) for name, found in sorted(errors.items())},
        "rows": rows,
    }


def rms(values):
    """Root mean square."""
    return float(np.sqrt(np.mean(np.square(values))))


def of_dimension(pairs):
    """Errors of a dimension, mm, and those over their expanded uncertainties: rms 0.5 where the budget is right."""
    error, uncertainty = pairs.T[:2]
    return {
        "count": len(pairs),
        "mean_mm": float(error.mean()),
        "median_mm": float(np.median(np.abs(error))),
        "uncertainty_mm": float(np.median(uncertainty)),
        "normalised_rms": rms(error / uncertainty),
        "normalised_worst": float(np.abs(error / uncertainty).max()),
        "coverage_95": float(np.mean(np.abs(error) <= uncertainty)),
    }


def _judged(vehicle):
    return judge(*vehicle)


def judge(job, points, seed, folder=None):
    """Errors of one day's vehicle: of the frame (mm and degrees by axis), and {dimension: (error, U, whether it is a
    least value, whether it names a cause of unknown size)} in mm."""
    if folder is None:
        with tempfile.TemporaryDirectory(prefix="measure_frame.") as scratch:
            return judge(job, points, seed, Path(scratch))
    day, truth = folder / "day", folder / "truth"
    with redirect_stdout(sys.stderr):
        make_day.make(day, truth, points, seed, [job], 1, CHORD_MM)
        records = chained_stages.run(day, job, LEFT_OUT)
    refused = {where: record["reasons"] for where, record in records.items() if record["status"] != "ok"}
    true = json.loads((truth / job / "truth.json").read_text())
    row = {"job": job, "seed": seed, "refused": sorted(refused), "frame": None, "dimensions": {}, "more": None}
    if refused:
        return row
    frame = records[f"results/{job}/frame/exterior"]["result"]
    measured = records[f"results/{job}/measure/exterior"]["result"]
    stated = measured["dimensions"]
    vertices_mm = surface.read_ply(truth / job / "surface.ply").vertices_mm.astype(np.float64)
    row["more"] = more_dimensions.judge(job, measured, vertices_mm)
    row["frame"] = frame_error(np.array(frame["T_vehicle_control"]), np.array(true["T_vehicle_control"]), frame)
    row["significant"] = [
        f"{way['plane']} {way['found_by']} {entry['quantity']}"
        for way in frame["ways"]
        for entry in way["differences"]
        if entry["significant"]
    ]
    for name in DIMENSIONS:
        if name in stated:
            error = stated[name]["value_mm"] - true_length(name, true, vertices_mm)
            row["dimensions"][name] = (
                float(error),
                float(stated[name]["uncertainty_mm"]),
                bool(stated[name]["unscanned_ends"]),
                bool(stated[name]["unknown"]),
            )
    return row


def true_length(name, true, vertices_mm):
    """A dimension of the true surface, its vertices (n, 3); the width over mirrors is its whole extent along Y."""
    if name in true["dimensions_mm"]:
        return true["dimensions_mm"][name]
    return float(np.ptp(vertices_mm[:, 1]))


def frame_error(T_found, T_true, frame):
    """Absolute errors of the frame along its axes at the part's middle, mm, and about them, degrees: (6,)."""
    bounds = frame["segments"].values()
    low = np.min([each["low_mm"] for each in bounds], axis=0)
    high = np.max([each["high_mm"] for each in bounds], axis=0)
    middle = (low + high)[None] / 2.0
    T_true_found = T_true @ rigid.invert(T_found)
    shift = rigid.transform(T_true_found, middle)[0] - middle[0]
    turn = np.array([T_true_found[2, 1], T_true_found[0, 2], T_true_found[1, 0]])
    return np.abs(np.concatenate([shift, np.degrees(turn)])).tolist()


def main():
    """The command line; the last line printed is one JSON object."""
    parser = argparse.ArgumentParser(description="Vehicle frame and dimensions over seeds of the demo day.")
    parser.add_argument("--points", type=int, default=300_000, help="raw points of a vehicle")
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--first", type=int, default=101, help="first seed; 1 to 100 were developed on")
    parser.add_argument("--processes", type=int, help="vehicles beside each other; as many as processors")
    options = parser.parse_args()
    figures = measured(options.points, options.seeds, options.first, options.processes)
    del figures["rows"]
    print(json.dumps(figures, sort_keys=True))


# a body is the same on every day
scenario.BODIES.update({kind: functools.cache(build) for kind, build in list(scenario.BODIES.items())})

if __name__ == "__main__":
    main()
