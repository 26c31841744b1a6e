"""What a night of many vehicles needs, from one that was measured: cores, memory, disk, traffic, scheduler load.

    bash tests/bench/run.sh capacity [--points 15000000] [--hours 10] [--busy 0.7] [--day DAY --processor-s S]

Makes a day of one van with exterior and interior and runs its night, or takes a day whose night ran already with the
processor time that it took (user and system, as `time` prints them). Peaks come from Snakemake's benchmark files. Its
processor times do not: Snakemake looks every half minute and misses what came after; the night's own are exact, and say
the same on a loaded machine. What a stage reads is the size of all results that it is given, and so an upper bound.

`one`: the vehicle, with seconds and GB of each stage and the longest chain of stages. `start_s`: processor time of a
start of Snakemake on a node, of which a cluster job has two. `nights`: the needs of nights of 1, 10, 100 and 1000
such vehicles within `--hours` on cores that compute `--busy` of the time; memory for as many cores by the mean over a
night, and no less than the largest stage.
"""

import argparse
import json
import math
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

import growth
import yaml

from nightbay.pipeline import stages
from nightbay.planning import day as day_plan

JOB = growth.JOB
BESIDE_GB = 0.4  # of each cluster job for Snakemake, as profiles/slurm/bin/sbatch asks for it
GROUPS = yaml.safe_load((growth.ROOT / "workflow/profiles/slurm/config.yaml").read_text(encoding="utf-8"))["groups"]


def processor_s():
    """Processor seconds of all processes that ended below this one."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def planned(day):
    """The job of the day as it was planned."""
    defaults = yaml.safe_load((growth.ROOT / "config/config.yaml").read_text(encoding="utf-8"))
    return day_plan.plan(day, defaults).jobs[JOB]


def steps(job):
    """(stage, wildcards) of every step of the job."""
    found = []
    for name, stage in stages.STAGES.items():
        parts = [part for part in job.segments() if part in stage.of]
        if stage.unit == "job" and name != "board" and stage.runs_for(job.segments()):
            found.append((name, {"job": JOB}))
        if stage.unit == "part":
            found += [(name, {"job": JOB, "part": part}) for part in parts]
        if stage.unit == "segment":
            found += [(name, {"job": JOB, "part": p, "segment": s}) for p in parts for s in job.segments()[p]]
    return found


def size_gb(path):
    """Size of the files below a path, 10^9 bytes."""
    return sum(file.stat().st_size for file in path.rglob("*") if file.is_file()) / 1e9


def upstream_of(stage, wildcards, job):
    """Places of all results that a step reads."""
    for upstream in stages.STAGES[stage].upstream:
        places = stages.inputs(stage, upstream, wildcards, job.segments())
        yield from [places] if isinstance(places, str) else places


def traffic_gb(day, job):
    """(read, written) by all stages of the job, each reading all that it is given, 10^9 bytes."""
    read = size_gb(day / JOB / "raw")
    for stage, wildcards in steps(job):
        read += sum(size_gb(day / place) for place in upstream_of(stage, wildcards, job))
    return read, size_gb(day / "results" / JOB)


def measured(day, job):
    """{place: (wall seconds, peak in 10^9 bytes or None)} of every step, from the benchmark files."""
    found = {}
    for stage, wildcards in steps(job):
        place = stages.place(stage, wildcards)
        row = Path(f"{day / place.replace('results', 'benchmarks', 1)}.tsv").read_text(encoding="utf-8").split("\n")
        values = dict(zip(row[0].split("\t"), row[1].split("\t"), strict=True))
        peak = None if values["max_rss"] in ("NA", "-") else float(values["max_rss"]) * 2**20 / 1e9
        found[place] = float(values["s"]), peak
    return found


def chain_s(job, seconds):
    """Seconds of the longest chain of steps: what the vehicle takes on any number of cores."""
    ends = {}
    for stage, wildcards in steps(job):  # in the order of the stages
        begin = max((ends.get(place, 0.0) for place in upstream_of(stage, wildcards, job)), default=0.0)
        place = stages.place(stage, wildcards)
        ends[place] = begin + seconds[place]
    return max(ends.values())


def cluster_jobs(job):
    """How many cluster jobs the steps are, by the groups of the profile: of one per segment, part or vehicle."""
    group_of = dict(entry.split("=") for entry in GROUPS)
    found = set()
    for stage, wildcards in steps(job):
        group = group_of.get(stage)
        joined = {"page": {"job": JOB}}.get(group, wildcards)
        found.add((group or stage, tuple(sorted(joined.items()))))
    return len(found)


def start_s(day):
    """Processor seconds of one start of Snakemake on a node, for one step of the vehicle."""
    stage, wildcards = steps(planned(day))[0]
    target = f"{stage}:" + ",".join(f"{key}={value}" for key, value in wildcards.items())
    words = [
        sys.executable,
        "-m",
        "snakemake",
        "--target-jobs",
        target,
        "--mode",
        "remote",
        "--dry-run",
        "--quiet",
        "all",
    ]
    words += ["--snakefile", growth.ROOT / "Snakefile", "--directory", day, "--cores", "1", "--nolock"]
    before = processor_s()
    subprocess.run([str(word) for word in words], check=True, capture_output=True)
    return processor_s() - before


def needs(one, vehicles, hours, busy):
    """The needs of a night of so many vehicles."""
    per_vehicle_s = one["processor_s"] + 2 * one["start_s"] * one["cluster_jobs"]
    cores = math.ceil(vehicles * per_vehicle_s / (hours * 3600 * busy))
    return {
        "vehicles": vehicles,
        "processor_hours": round(vehicles * per_vehicle_s / 3600, 1),
        "cores": cores,
        "memory_gb": round(max(one["peak_gb"] + BESIDE_GB, cores * (one["mean_gb"] + BESIDE_GB)), 1),
        "disk_gb": round(vehicles * (one["raw_gb"] + one["written_gb"]), 1),
        "traffic_gb": round(vehicles * (one["read_gb"] + one["written_gb"]), 1),
        "traffic_mb_per_s": round(vehicles * (one["read_gb"] + one["written_gb"]) * 1000 / (hours * 3600), 2),
        "cluster_jobs": vehicles * one["cluster_jobs"],
        "cluster_jobs_per_minute": round(vehicles * one["cluster_jobs"] / (hours * 60), 2),
    }


def main():
    """Measure one vehicle and print the JSON object."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--points", type=int, default=15_000_000)
    parser.add_argument("--hours", type=float, default=10.0)
    parser.add_argument("--busy", type=float, default=0.7)
    parser.add_argument("--day", type=Path)
    parser.add_argument("--processor-s", type=float)
    asked = parser.parse_args()
    if (asked.day is None) != (asked.processor_s is None):
        parser.error("--day and --processor-s belong together")
    with tempfile.TemporaryDirectory() as scratch:
        day, used_s = asked.day, asked.processor_s
        if day is None:
            day = growth.make_day(Path(scratch), asked.points, 2)
            before = processor_s()
            growth.night(day, 2)
            used_s = processor_s() - before
        print(json.dumps(capacity(day, used_s, asked.hours, asked.busy)))


def capacity(day, used_s, hours, busy):
    """The JSON object for a day whose night took ``used_s`` seconds of processor time."""
    job = planned(day)
    by_step = measured(day, job)
    seconds = {place: took for place, (took, _) in by_step.items()}
    peaks = [(took, peak) for took, peak in by_step.values() if peak is not None]
    read, written = traffic_gb(day, job)
    one = {
        "raw_gb": size_gb(day / JOB / "raw"),
        "read_gb": read,
        "written_gb": written,
        "processor_s": used_s,
        "wall_s_of_steps": sum(seconds.values()),
        "longest_chain_s": chain_s(job, seconds),
        "peak_gb": max(peak for _, peak in peaks),
        "mean_gb": sum(took * peak for took, peak in peaks) / sum(took for took, _ in peaks),
        "steps": len(by_step),
        "cluster_jobs": cluster_jobs(job),
        "start_s": start_s(day),
    }
    one = {key: round(value, 3) for key, value in one.items()}
    table = [needs(one, vehicles, hours, busy) for vehicles in (1, 10, 100, 1000)]
    return {"one": {**one, "stages": growth.stages(day)}, "hours": hours, "busy": busy, "nights": table}


if __name__ == "__main__":
    main()
