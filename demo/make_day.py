"""Makes the demo day: raw exports and job sheets in one folder, the truth behind them in another.

    python demo/make_day.py --out demo/day --truth demo/truth [--points 3000000] [--seed 2024]

Nothing is made again when the day is there with the same options and the same generator. The day's jobs appear whole or
not at all. Only the truth folder holds what tests and benchmarks may know of the day: ``<job>/truth.json``,
``<job>/surface.ply`` (vehicle frame), ``<job>/<segment>.labels.npy`` (a label a point, in the order of the raw file).
"""

import argparse
import hashlib
import json
import multiprocessing
import os
import shutil
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import yaml

import export
import scenario
import shell
import simulate
import survey
from nightbay.core import rigid
from nightbay.meshes import surface

LEAST, MOST = 20_000, 60_000_000


def main(arguments: Sequence[str] | None = None) -> int:
    """The command line; returns the exit code."""
    parser = argparse.ArgumentParser(description="Make the demo day.")
    parser.add_argument("--out", type=Path, required=True, help="folder of the day")
    parser.add_argument("--truth", type=Path, required=True, help="folder of the truth, not inside the day")
    parser.add_argument("--points", type=int, default=3_000_000, help=f"raw points of a vehicle, {LEAST} to {MOST}")
    parser.add_argument("--seed", type=int, default=2024, help="another seed gives another day")
    parser.add_argument("--jobs", default="", help="only these jobs, divided by commas")
    parser.add_argument(
        "--chord-mm",
        type=float,
        default=shell.CHORD_MM,
        help="how closely faces follow the smooth bodies",
    )
    parser.add_argument("--cores", type=int, default=os.cpu_count(), help="processes to use")
    options = parser.parse_args(arguments)
    if not LEAST <= options.points <= MOST:
        parser.error(f"--points is {options.points}: {LEAST} to {MOST} are allowed.")
    names = [job.name for job in scenario.JOBS]
    chosen = options.jobs.split(",") if options.jobs else names
    unknown = [name for name in chosen if name not in names]
    if unknown:
        parser.error(f"--jobs names {unknown[0]}: the day has {', '.join(names)}.")
    if options.truth.resolve().is_relative_to(options.out.resolve()):
        parser.error("--truth lies inside the day: the night would see it.")
    cores = max(1, options.cores)
    made = make(options.out, options.truth, options.points, options.seed, chosen, cores, options.chord_mm)
    print(f"The demo day is {'made' if made else 'there already'}: {options.out}", file=sys.stderr)
    return 0


def make(
    out: Path,
    truth: Path,
    points: int,
    seed: int,
    names: Sequence[str],
    cores: int,
    chord_mm: float = shell.CHORD_MM,
) -> bool:
    """Make the jobs ``names`` of the day, with ``points`` raw points a vehicle; False when they are there already.

    Raises SystemExit for a folder of a job that this program did not make.
    """
    stamp = truth / "made.json"
    record = {"points": points, "seed": seed, "jobs": sorted(names), "chord_mm": chord_mm, "code": _code()}
    there = all((out / name / "job.yaml").exists() for name in names)
    if there and stamp.exists() and json.loads(stamp.read_text()) == record:
        return False
    jobs = [job for job in scenario.JOBS if job.name in names]
    foreign = [job.name for job in jobs if (out / job.name).exists() and not (truth / job.name / "truth.json").exists()]
    if foreign:
        raise SystemExit(f"{out / foreign[0]} was not made by this program: move it away or choose another --out.")
    work = [folder.with_name(folder.name + ".part") for folder in (out, truth)]
    for folder in work:
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
    with _workers(cores) as each:
        kinds = sorted({job.body for job in jobs}, key=list(scenario.BODIES).index)
        built = dict(zip(kinds, each(_build, [(kind, chord_mm) for kind in kinds]), strict=True))
        tasks = [(*work, job, built[job.body], points, seed) for job in jobs]
        plans = list(each(_prepare, tasks))
        runs = [(*task, plan, run) for task, plan in zip(tasks, plans, strict=True) for run in task[2].runs]
        # the largest first, so that no process is left with a large one at the end
        scanned = list(each(_run, sorted(runs, key=lambda task: -task[2].points(points) * task[-1].share)))
    for job, plan in zip(jobs, plans, strict=True):
        runs = {name: facts for owner, name, facts in scanned if owner == job.name}
        _write_truth(work[1] / job.name, job, built[job.body], plan, runs)
    stamp.unlink(missing_ok=True)
    for part, whole in zip(work, (out, truth), strict=True):
        whole.mkdir(parents=True, exist_ok=True)
        for job in jobs:
            shutil.rmtree(whole / job.name, ignore_errors=True)
            os.replace(part / job.name, whole / job.name)
        shutil.rmtree(part)
    stamp.write_text(json.dumps(record, indent=1) + "\n")
    return True


@contextmanager
def _workers(cores):
    """A map over as many processes; a single one is this process."""
    if cores == 1:
        yield map
        return
    with ProcessPoolExecutor(cores, mp_context=multiprocessing.get_context("spawn")) as pool:
        yield pool.map


def _code():
    """Hash of the generator's own modules."""
    files = sorted(Path(__file__).parent.glob("*.py"))
    return hashlib.sha256(b"".join(file.read_bytes() for file in files)).hexdigest()


def _build(task):
    kind, chord_mm = task
    return scenario.BODIES[kind](chord_mm)


def _number(*words):
    """A seed of its own for each run of each job, the same on every machine."""
    return int.from_bytes(hashlib.sha256("/".join(map(str, words)).encode()).digest()[:4], "big")


def _prepare(task):
    """Job sheet, targets and control survey of a job: ``(targets, survey list, T_vehicle_control)`` or Nones."""
    day, truth, job, body, points, seed = task
    raw = day / job.name / "raw"
    raw.mkdir(parents=True)
    (truth / job.name).mkdir()
    (day / job.name / "job.yaml").write_text(
        yaml.safe_dump(_sheet(job, points), sort_keys=False, width=110), encoding="utf-8"
    )
    shape = surface.Surface(body.vertices_mm.astype(np.float32), body.faces)
    surface.write_ply(truth / job.name / "surface.ply", shape, ["units mm", "frame vehicle"])
    if job.target_spacing_mm is None:
        return None, None, None
    own = _number(seed, job.name)
    true = survey.targets(body, job.target_spacing_mm, seed=own, ground_spacing_mm=2 * job.target_spacing_mm)
    T_vehicle_control = simulate.random_frame(np.random.default_rng([own, 1]))
    control = survey.survey(
        true,
        seed=own,
        noise_mm=scenario.TARGET_NOISE_MM,
        drift_mm_per_m=job.drift_mm_per_m,
        spurious=0.05,
        missing=0.05,
        doubled=3,
        T_vehicle_control=T_vehicle_control,
    )
    export.write_targets(raw / "control.csv", control)
    return true, control, T_vehicle_control


def _sheet(job, points):
    """The job sheet as plain data."""
    parts = {}
    for run in job.runs:
        part = parts.setdefault(job.part_of(run), {})
        if job.target_spacing_mm is not None and job.part_of(run) == job.part:
            part["control_survey"] = {"file": "raw/control.csv"}
        segment = part.setdefault("segments", {}).setdefault(run.name, {"file": f"raw/{run.file}"})
        if run.units != "mm":
            segment["units"] = run.units
        if job.target_spacing_mm is not None:
            listed = f"raw/{Path(run.file).stem}.targets.csv"
            segment["targets"] = listed if run.units == "mm" else {"file": listed, "units": run.units}
    if job.artefacts:
        parts[job.part]["artefacts"] = list(job.artefacts)
    sheet = {"vehicle_class": job.vehicle_class} if job.vehicle_class else {}
    sheet |= {"title": job.title, "units": "mm"}
    sheet |= {"nominal_mm": job.nominal_mm} if job.nominal_mm else {}
    sheet |= {"state": job.state} if job.state else {}
    sheet |= {"identity": job.identity} if job.identity else {}
    grid = scenario.resolution_mm(job, job.points(points))
    return sheet | {"parts": parts, "parameters": {"scan": {"resolution_mm": grid}}}


def _run(task):
    """Scan one run and write its files; returns (job, run, facts for the truth)."""
    day, truth, job, body, points, seed, (true, control, T_vehicle_control), run = task
    own = _number(seed, job.name, run.name)
    outside = job.part_of(run) == "exterior"
    drift = job.drift_mm_per_m if job.part_of(run) == job.part else scenario.DRIFT_WITHOUT_TARGETS_MM_PER_M
    scan = simulate.scan(
        body,
        scenario.views(job, run, body, own),
        points=round(job.points(points) * run.share),
        noise_mm=scenario.NOISE_MM,
        seed=own,
        drift_mm_per_m=drift,
        faults=scenario.faults(job, run),
        normals=run.normals,
        colour=run.colour,
        gain=run.gain,
        targets=true,
        ground=outside,
        surroundings=scenario.surroundings(body) if outside else None,
        unit_mm={"mm": 1.0, "m": 1000.0}[run.units],
    )
    raw, labels, middle = day / job.name / "raw", [], np.zeros(4)

    def keep(chunk):
        labels.append(chunk.label)
        good = chunk.xyz[chunk.label == simulate.SURFACE] * scan.unit_mm
        middle[:] += [*good.sum(axis=0), len(good)]

    export.write(raw / run.file, scan.chunks(), keep)
    labels = np.concatenate(labels)
    np.save(truth / job.name / f"{run.name}.labels.npy", labels)
    facts = {
        "file": run.file,
        "count": len(labels),
        "labels": dict(zip(simulate.LABELS, np.bincount(labels, minlength=len(simulate.LABELS)).tolist(), strict=True)),
        "middle_mm": (middle[:3] / middle[3]).tolist(),  # of the points on the vehicle, segment frame
        "T_vehicle_segment": scan.T_vehicle_segment.tolist(),
    }
    if true is not None:
        listed, moved = _targets_of(scan, job, run, true, control, own)
        export.write_targets(raw / f"{Path(run.file).stem}.targets.csv", listed)
        facts |= {"targets": listed.truth.tolist(), "moved": moved, "part": job.part_of(run)}
        if job.part_of(run) == job.part:
            facts["T_control_segment"] = (rigid.invert(T_vehicle_control) @ scan.T_vehicle_segment).tolist()
    return job.name, run.name, facts


def _targets_of(scan, job, run, true, control, own):
    """The run's list of targets and the numbers of those that were moved before it."""
    noise = scenario.TARGET_NOISE_MM
    if run.common is None:
        moved = []
        if run.moved:
            seen = survey.target_list(scan, true, seed=own, noise_mm=noise).truth
            moved = np.random.default_rng([own, 2]).choice(np.sort(seen), run.moved, replace=False).tolist()
        listed = survey.target_list(scan, true, seed=own, noise_mm=noise, spurious=0.2, missing=0.2, moved=moved)
        return listed, moved
    # the other targets of this run were stuck on after the survey
    seen = np.sort(np.intersect1d(survey.target_list(scan, true, seed=own, noise_mm=noise).truth, control.truth))
    common = np.random.default_rng([own, 2]).choice(seen, run.common, replace=False)
    shared = survey.target_list(scan, true, seed=own, noise_mm=noise, only=np.sort(common))
    later = survey.targets(scan.body, job.target_spacing_mm, seed=own)
    fresh = survey.target_list(scan, later, seed=own + 1, noise_mm=noise)
    return survey.shuffled([shared, fresh], [shared.truth, np.full(len(fresh), -1)], seed=own), []


def _write_truth(folder, job, body, plan, runs):
    """Write the truth of a job."""
    true, control, T_vehicle_control = plan
    # the only run of another part holds the control frame of that part
    others = {name: facts for name, facts in runs.items() if facts.get("part", job.part) != job.part}
    runs = {name: facts for name, facts in runs.items() if name not in others}
    for facts in others.values():
        facts["T_control_segment"] = np.eye(4).tolist()
    if T_vehicle_control is None:
        # without a survey the frame of the segment that comes first by name is the control frame
        T_vehicle_control = np.array(runs[min(runs)]["T_vehicle_segment"])
        for facts in runs.values():
            facts["T_control_segment"] = (rigid.invert(T_vehicle_control) @ facts["T_vehicle_segment"]).tolist()
    record = {
        "part": job.part,
        "refused": job.refused,
        "noise_mm": scenario.NOISE_MM,
        "dimensions_mm": body.dimensions_mm,
        "T_vehicle_control": T_vehicle_control.tolist(),
        "segments": runs,
    }
    if others:
        (inner,) = others.values()
        T_exterior_interior = rigid.invert(T_vehicle_control) @ np.array(inner["T_vehicle_segment"])
        # between the control frames of the parts
        record["joined"] = {"segments": others, "T_exterior_interior": T_exterior_interior.tolist()}
    if true is not None:
        number, many = np.unique(control.truth[control.truth >= 0], return_counts=True)
        record["targets_mm"] = rigid.transform(rigid.invert(T_vehicle_control), true.xyz_mm).tolist()
        record["survey"] = {"targets": control.truth.tolist(), "doubled": number[many > 1].tolist()}
    (folder / "truth.json").write_text(json.dumps(record, indent=1, sort_keys=True, default=float) + "\n")


if __name__ == "__main__":
    sys.exit(main())
