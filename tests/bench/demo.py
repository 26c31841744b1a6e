"""The demo night against its truth: accuracy, time, memory.

Makes the demo day if it is missing, runs the night on it, runs it again, and prints the figures, worst case over the
demo's exteriors, as one JSON object in the last line. With --no-night it reads the results that are there.

    bash tests/bench/run.sh demo [--points 3000000] [--out demo/day --truth demo/truth] [--no-night]
"""

import argparse
import json
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

import bodies
import make_day
import scenario
import viewpoints
from nightbay.core import rigid
from nightbay.core.native import open3d
from nightbay.meshes import surface
from nightbay.pipeline import attempts
from pose_error import pose_error

ROOT = Path(__file__).resolve().parents[2]
MOST_VERTICES = 2_000_000  # of a surface that are compared, evenly through its file
DIMENSIONS = ("length", "width", "height", "wheelbase")
WORST = ("fit_tolerance_mm", "pose_error_mm", "pose_error_deg", "surface_rms_mm", "dimension_error_mm")
JOINED = ("join_mm", "join_deg", "join_sds")  # of the jobs that have something to join
FAR_MM = 5.0  # what lies further from the vehicle is hardly noise: a ghost or clump that stayed


def main():
    parser = argparse.ArgumentParser(description="Bench of the demo night.")
    parser.add_argument("--out", type=Path, default=ROOT / "demo" / "day")
    parser.add_argument("--truth", type=Path, default=ROOT / "demo" / "truth")
    parser.add_argument("--points", type=int, default=3_000_000)
    parser.add_argument("--no-night", action="store_true", help="read the results that are there")
    options = parser.parse_args()
    seconds = {"wall_s": None, "again_s": None}
    if not options.no_night:
        make_day.main(["--out", str(options.out), "--truth", str(options.truth), "--points", str(options.points)])
        there = (options.out / "results").exists()
        first, again = night(options.out), night(options.out)
        # the first run is the night only where nothing was there before
        seconds = {"wall_s": None if there else first, "again_s": again}
    figures = judge(options.out, options.truth) | seconds
    print(json.dumps(figures, sort_keys=True))


def night(day):
    """Run the night on a day; seconds."""
    start = time.monotonic()
    done = subprocess.run(["bash", str(ROOT / "workflow" / "night.sh"), str(day)], stdout=sys.stderr, check=False)
    if done.returncode not in (0, 1):
        raise SystemExit(f"the night ended with {done.returncode}")
    return round(time.monotonic() - start, 1)


def judge(day, truth):
    """All figures of a finished day against its truth."""
    states, worst, detail = {}, {}, {}
    for job in scenario.JOBS:
        told = _result(day, job.name, "report", job.name)
        states[job.name] = told["state"] if told else "missing"
        if not states[job.name].startswith("complete") or job.part != "exterior":
            continue
        true = json.loads((truth / job.name / "truth.json").read_text())
        figures = {**poses(day, job, true), **surface_error(day, truth, job, true), **dimensions(day, job, true)}
        figures |= joined(day, job, true)
        detail[job.name] = figures
        for name in (*WORST, *(JOINED if "joined" in true else ())):
            # what could not be measured on one vehicle is not known for the day
            known = name not in worst or worst[name] is not None
            value = figures[name]
            worst[name] = max(worst.get(name, value), value) if known and value is not None else None
    return {
        **worst,
        "jobs": detail,
        "states": states,
        "refused": sum(state == "refused" for state in states.values()),
        "complete": sum(state.startswith("complete") for state in states.values()),
        "peak_gb": peak_gb(day),
    }


def _result(day, job, stage, part):
    """Numbers of a stage, or None where it left none."""
    path = day / "results" / job / stage / f"{part}.json"
    return json.loads(path.read_text())["result"] if path.exists() else None


def poses(day, job, true):
    """Error of each segment's pose: of the place of its middle, mm, and of its orientation, degrees; the worst."""
    found = _result(day, job.name, "refine", job.part)["poses"]
    places, turns = {}, {}
    for name, facts in true["segments"].items():
        T_found, T_true = np.array(found[name]["T_control_segment"]), np.array(facts["T_control_segment"])
        middle = np.array([facts["middle_mm"]])
        places[name] = float(np.linalg.norm(rigid.transform(T_found, middle) - rigid.transform(T_true, middle)))
        turns[name] = rigid.angle_deg(rigid.invert(T_true) @ T_found)
    return {
        "pose_error_mm": max(places.values()),
        "pose_error_deg": max(turns.values()),
        "pose_errors_mm": places,
        "pose_errors_deg": turns,
    }


def joined(day, job, true):
    """Error of the interior's pose in the exterior: of the place of its middle, mm, of its orientation, degrees, and of
    its worst coordinate in units of the standard uncertainty that the result states.

    None for a job that is not joined; empty for one with nothing to join.
    """
    if "joined" not in true:
        return {}
    found = _result(day, job.name, "join", job.name)
    if not found:
        return dict.fromkeys(JOINED)
    (facts,) = true["joined"]["segments"].values()
    error = pose_error(
        np.array(found["T_exterior_interior"]),
        np.array(true["joined"]["T_exterior_interior"]),
        np.array(found["covariance"]),
        np.array(facts["middle_mm"]),
    )
    return {"join_mm": error.mm, "join_deg": error.deg, "join_sds": float(np.abs(error.sds).max())}


def surface_error(day, truth, job, true):
    """Distance of the fused, measured vertices from the true surface, once both stand in the true vehicle frame.

    The estimated vehicle frame is taken out, so that only what was measured counts. Vertices nearer to the floor or to
    the things beside the vehicle than to the vehicle itself are counted apart; all others count, and the figure without
    those further than FAR_MM is given beside.
    """
    T_found = np.array(_result(day, job.name, "frame", job.part)["T_vehicle_control"])
    fused = surface.read_ply(day / "results" / job.name / "fuse" / job.part / "surface.ply")
    step = max(1, len(fused.vertices_mm) // MOST_VERTICES)
    control = rigid.transform(rigid.invert(T_found), fused.vertices_mm[::step])
    vertices = rigid.transform(np.array(true["T_vehicle_control"]), control)
    shape = surface.read_ply(truth / job.name / "surface.ply")
    body = bodies.Body(shape.vertices_mm, shape.faces, np.zeros(len(shape.faces), np.uint8))
    off = _distance(body, vertices)
    beside = np.minimum(np.abs(vertices[:, 2]), _distance(scenario.surroundings(body), vertices)) < off
    far = (off > FAR_MM) & ~beside
    near = off[~beside & ~far]
    tolerance_mm = _result(day, job.name, "report", job.name)["fit_tolerance_mm"][job.part]
    return {
        "fit_tolerance_mm": tolerance_mm,
        "fit_covers": None if tolerance_mm is None else float((off[~beside] <= tolerance_mm).mean()),
        "surface_rms_mm": float(np.sqrt(np.mean(off[~beside] ** 2))),
        "surface_rms_near_mm": float(np.sqrt(np.mean(near**2))),
        "surface_p95_mm": float(np.percentile(off[~beside], 95)),
        "surface_far_share": float(far.mean()),
        "surface_beside_share": float(beside.mean()),
    }


def _distance(body, points):
    """Distance of points, (n, 3) mm, from the body's faces, (n,)."""
    scene, parts = viewpoints.caster(body), np.array_split(points, max(1, len(points) // 500_000))
    return np.concatenate(
        [scene.compute_distance(open3d().core.Tensor(part.astype(np.float32))).numpy() for part in parts]
    ).astype(np.float64)


def dimensions(day, job, true):
    """Largest error of the four dimensions, mm; None where one of them was not measured."""
    found = _result(day, job.name, "measure", job.part)["dimensions"]
    errors = {
        name: found[name]["value_mm"] - true["dimensions_mm"][name]
        for name in DIMENSIONS
        if found.get(name) and found[name].get("value_mm") is not None
    }
    missing = [name for name in DIMENSIONS if name not in errors]
    return {
        "dimension_error_mm": None if missing else max(abs(error) for error in errors.values()),
        "dimension_errors_mm": errors,
        "dimensions_missing": missing,
    }


def peak_gb(day):
    """Most memory of its own that any stage held, GB, from the records of attempts."""
    records = sorted((day / "logs").rglob(f"*{attempts.ENDING}"))
    tried = [attempt for path in records for attempt in json.loads(path.read_text())]
    peaks = [attempt["peak_mb"] for attempt in tried if attempt["peak_mb"] is not None]
    return round(max(peaks) / 1000, 3) if peaks else None


if __name__ == "__main__":
    main()
