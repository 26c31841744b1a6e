"""Damaged and hostile files: none may crash, hang or fill the memory, and damage that shows may not be accepted.

    bash tests/bench/run.sh faults mutants [--seeds 100] [--first 1000] [--only NAME]
    bash tests/bench/run.sh faults kills [--kills 50] [--seed 1]

`mutants`: seeded mutations of exports in every format, of target lists and of job sheets, and days of random files.
Counts are of outcomes: `crashes` are exceptions that are no refusal, signals, and sentences that people can't use;
`hangs` take more than 20 s of processor time, `blowups` more than four times the file and 150 MB; `accepted_damaged`
are files whose checksums or counts show the damage, and that were read all the same. Exports are read without the
process that the night reads them in, so that nothing hides behind it.

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

import killed_nights
import mutant_outcomes
import mutants


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
        "accepted_damaged": sum(outcome.noticeable and outcome.end == "accepted" for outcome in found),
        "accepted": ends["accepted"],
        "refused": ends["refused"],
    }


def kill_group(options):
    """The figures of the group `kills`."""
    rng, found = random.Random(options.seed), []
    with tempfile.TemporaryDirectory(prefix="nightbay-faults-") as scratch:
        folder = Path(scratch)
        os.environ["NIGHTBAY_SHARES"] = str(folder / "shares")
        raw = killed_nights.make_day(folder)
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
    group = groups.add_parser("kills")
    group.add_argument("--kills", type=int, default=50, help="nights to end")
    group.add_argument("--seed", type=int, default=1, help="of the moments and of the children")
    options = parser.parse_args()
    print(json.dumps({"mutants": mutant_group, "kills": kill_group}[options.group](options)))


if __name__ == "__main__":
    main()
