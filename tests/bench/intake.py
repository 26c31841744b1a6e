"""Intake of simulated runs along a car: time, memory, and estimated normals against those that the scanner gave.

Usage: bash tests/bench/run.sh intake [points a run]
"""

import json
import os
import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

import simulate
import vehicles
import viewpoints
from nightbay.clouds.cloud import CloudFile
from nightbay.intake import intake
from nightbay.pipeline import stage
from nightbay.planning import parameters, yaml_file
from nightbay.planning.raw_files import Hashes

RUNS = ("left", "front")
DEFAULTS = yaml_file.read(parameters.CLASSES.parent / "config.yaml", "config.yaml")


def write(path, points, with_normals):
    """The points of a run as a binary PLY file."""
    names = ["x", "y", "z", "nx", "ny", "nz"] if with_normals else ["x", "y", "z"]
    head = f"ply\nformat binary_little_endian 1.0\nelement vertex {len(points)}\n"
    head += "".join(f"property float {name}\n" for name in names) + "end_header\n"
    table = np.column_stack([points.xyz, points.normals])[:, : len(names)]
    path.write_bytes(head.encode() + table.astype("<f4").tobytes())


def take(file, folder):
    """The working cloud that intake makes of a file, its numbers and the time."""
    sheet = {"file": file, **Hashes(".").of(file), "units": "mm", "columns": None}
    sheet |= {"part": "exterior", "vehicle_class": "compact"}
    sheet |= {"extent_mm": parameters.preset("compact").extent_mm}
    start = time.perf_counter()
    record = stage.execute(
        intake.intake,
        stage="intake",
        wildcards={"job": "bench", "part": "exterior", "segment": "run"},
        upstream={},
        sheet=sheet,
        settings={section: DEFAULTS[section] for section in ("scan", "intake")},
        folder=Path(folder),
        threads=1,
    )
    assert record["status"] == "ok", record["reasons"]
    return CloudFile(folder), record["result"], time.perf_counter() - start


def main(points):
    """Print one JSON object, the worst of the runs."""
    body, figures = vehicles.compact(), []
    for seed, run in enumerate(RUNS, start=1):
        scan = simulate.scan(
            body, viewpoints.side(body, run, seed=seed), points=points, noise_mm=0.1, seed=seed, normals=True
        ).all_points()
        write(Path("with.ply"), scan, True)
        write(Path("without.ply"), scan, False)
        del scan
        given, numbers, plain_s = take("with.ply", "given")
        found, estimated, estimate_s = take("without.ply", "found")
        given, found = given.block(0, len(given)).normal, found.block(0, len(found)).normal
        cosine = np.sum(given * found, axis=1)
        figures.append(
            {
                "points": numbers["count"],
                "intake_s": plain_s,
                "with_estimate_s": estimate_s,
                "right_side": float(np.mean(cosine > 0)),
                "angle_deg_median": float(np.degrees(np.arccos(min(1.0, np.median(np.abs(cosine)))))),
                "certainty": estimated["normals_certainty"],
            }
        )
        print(run, figures[-1], flush=True)
    worst = {
        key: (min if key in ("right_side", "certainty") else max)(one[key] for one in figures) for key in figures[0]
    }
    worst["peak_gb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(json.dumps(worst))


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        os.chdir(folder)
        main(int(float(sys.argv[1])) if len(sys.argv) > 1 else 1_000_000)
