"""Damaged and hostile files, and stages that crash: none may cost more than its own job.

    bash tests/bench/run.sh faults mutants [--seeds 100] [--first 1000] [--only NAME]
    bash tests/bench/run.sh faults crashes [--points 250000] [--only FAULT]
    bash tests/bench/run.sh faults memory DAY ... [--fit]
    bash tests/bench/run.sh faults busy [--points 1000000] [--cores 2] [--keep FOLDER]
    bash tests/bench/run.sh faults kills [--kills 50] [--seed 1]

`mutants`: seeded mutations of exports in every format, of target lists and of job sheets, and days of random files.
Counts are of outcomes: `crashes` are exceptions that are no refusal, signals, and sentences that people can't use;
`hangs` take more than 20 s of processor time, `blowups` more than four times the file and 150 MB; `accepted_damaged`
are files whose checksums or counts show the damage, and that were read all the same. Exports are read without the
process that the night reads them in, so that nothing hides behind it. `lost_days` are days of random files that could
not be planned, or whose board lacks a job.

`crashes`: real nights with a fault planted in one of three jobs, each fault in a night of its own. `neighbours` is the
share of the other jobs that ended with the same bytes as without the fault, `stated` of the faults whose cause the
board states, `kept` of those whose logs are kept, `tried` of those that were tried as often as they should be: once, or
once more where memory was too little.

`memory`: over finished nights, `memory_ratio` is the memory that each step's rule asks for over what the step used, the
lowest and the highest of the steps that used more than 500 MB; `--fit` prints the table of nightbay/planning/needs.py
that these nights would give. Days of several sizes are needed: demo/make_day.py --points.

`busy`: the share of the processors' time that a night of eight jobs uses from its begin to its end, by the time of
processors of the night and all its processes, which other people's load does not change; their load makes the night
longer though, so that `busy` only counts on a machine without it. `busy_of_free` leaves out what others used.

`kills`: nights of a small day, each ended at a random moment by SIGKILL to its process, its group or one of its
children, or by SIGTERM, SIGINT or SIGHUP to its process or its group; then the same command again. `identical` of the
`kills` came to the bytes of a night that nothing ended, and `boards` of them had a board of the ended night; `orphans`
are processes that were left half a minute later; `stop_s`: the longest time from SIGTERM to the process until all had
ended, `signal_s`: from any signal but SIGKILL.
"""

import argparse
import json
import os
import random
import shutil
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import busy_night
import killed_nights
import measured_needs
import mutant_outcomes
import mutants
import planted_faults


def mutant_group(options):
    """The figures of the group `mutants`."""
    with tempfile.TemporaryDirectory(prefix="nightbay-faults-") as scratch:
        folder = Path(scratch)
        os.chdir(folder)
        exports = mutants.exports(folder)
        lists, sheets = mutants.target_lists(), [mutants.Sample("job.yaml", mutants.SHEET.encode())]
        seeds = range(options.first, options.first + options.seeds)
        more = range(options.first, options.first + 8 * options.seeds)
        found = []
        for samples, own, read in (
            (exports, seeds, mutant_outcomes.read_export),
            (lists, more, mutant_outcomes.read_targets),
            (sheets, more, mutant_outcomes.read_sheet),
            ([mutants.Sample("tree", b"x")], more, mutant_outcomes.read_tree),
        ):
            chosen = [sample for sample in samples if options.only in (None, sample.name)]
            work = folder / read.__name__
            work.mkdir()
            for outcome in mutant_outcomes.outcomes(chosen, own, read, work):
                found.append(outcome)
                if outcome.end not in ("accepted", "refused") or (outcome.noticeable and outcome.end == "accepted"):
                    print(f"{outcome.name} {outcome.seed}: {outcome.end} {outcome.said}", flush=True)
                if len(found) % 1000 == 0:
                    print(len(found), dict(Counter(outcome.end for outcome in found)), file=sys.stderr, flush=True)
            shutil.rmtree(work)
        os.chdir("/")
    ends = Counter(outcome.end for outcome in found)
    by_name = {name: Counter(o.end for o in found if o.name == name) for name in {o.name for o in found}}
    for name, counts in sorted(by_name.items()):
        print(name, dict(counts))
    return {
        "mutants": len(found),
        "crashes": ends["crash"],
        "hangs": ends["hang"],
        "blowups": ends["blowup"],
        "lost_days": ends["lost"],
        "accepted_damaged": sum(outcome.noticeable and outcome.end == "accepted" for outcome in found),
        "accepted": ends["accepted"],
        "refused": ends["refused"],
    }


def crash_group(options):
    """The figures of the group `crashes`."""
    chosen = [name for name in planted_faults.FAULTS if options.only in (None, name)]
    found = []
    with tempfile.TemporaryDirectory(prefix="nightbay-faults-") as scratch:
        folder = Path(scratch)
        sound = planted_faults.make_day(folder, options.points)
        for name in chosen:
            found.append(planted_faults.outcome(sound, name, folder / "faulty"))
            print(found[-1], flush=True)
            shutil.rmtree(folder / "faulty")
    return {
        "faults": len(found),
        "neighbours": min(outcome.neighbours for outcome in found),
        **{key: sum(getattr(outcome, key) for outcome in found) / len(found) for key in ("stated", "kept", "tried")},
    }


def memory_group(options):
    """The figures of the group `memory`."""
    used = [step for day in options.days for step in measured_needs.of_day(day)]
    for step in sorted(used, key=lambda step: (step.stage, step.size.raw_mb)):
        size = f"{step.size.raw_mb:8.1f} MB raw  {step.peak_mb:6.0f} MB  {step.cpu_s:6.1f} s"
        print(f"{step.stage:9}{size}  ratio {step.ratio:5.2f}  {step.step}")
    if options.fit:
        for stage, (base_mb, *slopes, base_s, s_per_mb) in measured_needs.fit(used).items():
            by_size = ", ".join(f"{slope:.2f}" for slope in slopes)
            print(f'    "{stage}": Need({base_mb:.0f}, {by_size}, {base_s:.1f}, {s_per_mb:.3f}),')
    heavy = [step for step in used if step.peak_mb > measured_needs.HEAVY_MB]
    ratios = [step.ratio for step in heavy]
    return {
        "memory_ratio": [round(min(ratios), 3), round(max(ratios), 3)] if ratios else None,
        "memory_ratio_all": [round(min(step.ratio for step in used), 3), round(max(step.ratio for step in used), 3)],
        "heavy": sorted({step.stage for step in heavy}),
        "steps": len(used),
    }


def busy_group(options):
    """The figures of the group `busy`."""
    with tempfile.TemporaryDirectory(prefix="nightbay-busy-") as scratch:
        day = busy_night.make_day(options.keep or Path(scratch), options.points, options.cores)
        night = busy_night.night(day, options.cores)
    return {
        **{key: round(getattr(night, key), 3) for key in ("busy", "busy_of_free", "wall_s", "cpu_s", "idle_s")},
        "jobs": sum(busy_night.JOBS.values()),
        "cores": options.cores,
    }


def kill_group(options):
    """The figures of the group `kills`."""
    rng, found = random.Random(options.seed), []
    with tempfile.TemporaryDirectory(prefix="nightbay-faults-") as scratch:
        folder = Path(scratch)
        os.environ["NIGHTBAY_SHARES"] = str(folder / "shares")
        raw = killed_nights.make_day(folder)
        for _ in range(2):  # the first one compiles, and takes longer than those that follow
            day, began = killed_nights.fresh(raw, folder / "undisturbed"), time.monotonic()
            if fault := killed_nights.finish(day):
                raise SystemExit(f"the night that nothing ended did not end well: {fault}")
        length, sound = time.monotonic() - began, killed_nights.results(day)
        while len(found) < options.kills:
            name, target = killed_nights.WAYS[len(found) % len(killed_nights.WAYS)]
            moment = rng.uniform(0, length)
            killed = killed_nights.killed(raw, folder / "killed", sound, name, target, moment, rng)
            if killed is None:
                continue  # it had ended before
            found.append(killed)
            print(f"{len(found)} {killed}", flush=True)
    stopped = [killed for killed in found if killed.name != "SIGKILL"]
    to_pid = [killed for killed in stopped if (killed.name, killed.target) == ("SIGTERM", "pid")]
    return {
        "kills": len(found),
        "identical": sum(killed.identical for killed in found),
        "boards": sum(killed.board for killed in found),
        "orphans": sum(killed.orphans for killed in found),
        "stop_s": round(max((killed.seconds for killed in to_pid), default=0.0), 2),
        "signal_s": round(max((killed.seconds for killed in stopped), default=0.0), 2),
        "night_s": round(length, 1),
    }


def main():
    """The command line; the last line printed is one JSON object."""
    parser = argparse.ArgumentParser(description="Damaged and hostile files.")
    groups = parser.add_subparsers(dest="group", required=True)
    group = groups.add_parser("mutants")
    group.add_argument(
        "--seeds", type=int, default=100, help="mutants of each export; lists and sheets have 8 times more"
    )
    group.add_argument("--first", type=int, default=1_000_000, help="first seed")
    group.add_argument("--only", help="name of a single sample")
    group = groups.add_parser("crashes")
    group.add_argument("--points", type=int, default=250_000, help="raw points of a vehicle")
    group.add_argument("--only", choices=planted_faults.FAULTS, help="a single fault")
    group = groups.add_parser("memory")
    group.add_argument("days", type=Path, nargs="+", help="folders of days whose nights have ended")
    group.add_argument("--fit", action="store_true", help="print the needs that these nights give")
    group = groups.add_parser("busy")
    group.add_argument("--points", type=int, default=1_000_000, help="raw points of a vehicle")
    group.add_argument("--cores", type=int, default=2)
    group.add_argument("--keep", type=Path, help="work and leave the day here instead of in a folder that goes")
    group = groups.add_parser("kills")
    group.add_argument("--kills", type=int, default=50, help="nights to end")
    group.add_argument("--seed", type=int, default=1, help="of the moments and of the children")
    options = parser.parse_args()
    groups_by_name = {
        "mutants": mutant_group,
        "crashes": crash_group,
        "memory": memory_group,
        "busy": busy_group,
        "kills": kill_group,
    }
    print(json.dumps(groups_by_name[options.group](options)))


if __name__ == "__main__":
    main()
