"""Bench of what a technician reads: the release check, and the pages.

    bash tests/bench/run.sh report [--figures release_jobs,release_60m] [--jobs 100] [--scenes 10] [--seed 1]

One function a figure or a group of them, in FIGURES; the last line is one JSON object of all their figures.

release_jobs: over simulated jobs, half of them sound, the rest with one planted defect each (tests/release_jobs.py):
``defects_found``, share of the planted defects that the check names; ``sound_sent_back``, share of the sound jobs that
may not leave; ``release_found`` {kind: [found, planted]}. A third of the bodies have glazing on one side only, from
which some points come back; from the glazing of another third none do. Both together can't be told from a place that
was never seen, and are not among them.
release_rooms: over simulated scans of rooms in their true registration, as many sound ones as with one place that was
never seen; half of the sound ones have a window (room_scans.py): ``room_defects_found``, share of the places that are
found; ``room_sound_sent_back``, share of the sound ones in which a place is never seen; both over kinds of rooms that
the search was not made with, ``_known`` over the others. ``release_rooms`` has the counts: of the places, those that
are listed as open; rooms without a frame, of which the check says that it does not look at them; and rooms in which all
of a side or the roof is open, which can't be told from one that was never seen: they are among none of the shares.
release_60m: ``check_s_60m``, seconds of ``night.sh --release-check`` on a job of 60 million points; ``read_s``, seconds
of reading the same files once with the night's readers; ``check_ratio`` of both.
pages: of a finished day, the demo's without ``--day``: see report_in_browser.py.
"""

import argparse
import io
import json
import os
import subprocess
import sys
import tempfile
import time
from contextlib import chdir, redirect_stdout
from pathlib import Path

import numpy as np
import report_in_browser
import room_scans

import release_jobs
from nightbay import readers
from nightbay.core import rigid
from nightbay.coverage import sentences
from nightbay.planning import day as day_plan
from nightbay.planning import parameters, yaml_file
from nightbay.release import check

ROOT = Path(__file__).resolve().parents[2]
SOUND_SHARE = 0.5
NEAR_MM = 100.0  # the middle of an area that was found lies within the planted one, or beside it by less than that


def release_jobs_figures(options):
    """Defects found and sound jobs sent back."""
    rng = np.random.default_rng([options.seed, 81])
    kinds = [None] * round(options.jobs * SOUND_SHARE)
    planted_kinds = ["missing area"] * 2 + [kind for kind in release_jobs.KINDS if kind != "missing area"]
    kinds += [planted_kinds[number % len(planted_kinds)] for number in range(options.jobs - len(kinds))]
    if options.kinds:
        wanted = options.kinds.split(",")
        kinds = [wanted[number % len(wanted)] for number in range(options.jobs)]
    scenes = [1000 * options.seed + number for number in range(options.scenes)]
    found = {kind: [0, 0] for kind in release_jobs.KINDS}
    sent_back = 0
    with tempfile.TemporaryDirectory() as folder:
        keep = options.keep or Path(folder) / "scenes"
        for number, kind in enumerate(rng.permutation(np.array(kinds, object))):
            made = release_jobs.kept_scene(scenes[number % len(scenes)], keep)
            day = Path(folder) / f"day-{number}"
            clear = scenes[number % len(scenes)] % 3 == 1
            planted = release_jobs.write(day / "vehicle", made, kind, int(rng.integers(2**31)), clear)
            result = checked(day)
            right = named(result, planted)
            if kind is None:
                sent_back += not right
            else:
                found[kind][0] += right
                found[kind][1] += 1
            words = "; ".join(action.sentence for action in result.actions)
            if not right or options.verbose:
                print(
                    f"{number} {kind} {planted.words}: {'right' if right else 'WRONG'}, {result.verdict}: {words}",
                    flush=True,
                )
            subprocess.run(["rm", "-r", str(day)], check=True)
    sound = sum(kind is None for kind in kinds)
    right, planted = np.sum(list(found.values()), axis=0)
    return {
        "defects_found": right / planted if planted else None,
        "sound_sent_back": sent_back / sound if sound else None,
        "release_found": found,
        "release_jobs": {"sound": sound, "planted": int(planted), "bodies": len(scenes), "seed": options.seed},
    }


def checked(day):
    """The result of the check of the only job of a day."""
    defaults = yaml_file.read(parameters.CLASSES.parent / "config.yaml", "config/config.yaml")
    with chdir(day):
        plan = day_plan.plan(day, defaults)
        (job,) = plan.jobs.values()
        return check.job(job, lambda line: None).in_words()


def named(result, planted):
    """Whether the check says of a job what was planted in it; of a sound one, that it may leave."""
    kind = planted.kind
    if kind is None:
        return result.verdict == "may leave"
    mine = [action for action in result.actions if action.segment == planted.segment]
    if kind == "missing area":
        areas = [area for part in result.parts if part.coverage for area in part.coverage.never_seen]
        reach = planted.radius_mm + NEAR_MM
        return any(np.linalg.norm(area.centre_mm - planted.centre_mm) < reach for area in areas)
    wanted = {"few targets": "registration", "moved body": "moved", "still copied": "copying"}.get(kind, "file")
    return any(action.kind == wanted for action in mine)


def release_rooms_figures(options):
    """Places of rooms that were never seen, and sound rooms sent back."""
    counts = {}
    for group, known in (("known", True), ("new", False)):
        kinds = room_scans.names(known)
        count = counts[group] = dict.fromkeys(
            ("sound", "sent_back", "planted", "found", "listed_open", "no_frame", "side_open", "side_open_sent_back"), 0
        )
        for number in range(2 * options.rooms):
            seed = 10_000 * options.seed + number
            planted, place = number % 2 == 1, room_scans.PLACES[number // 2 % len(room_scans.PLACES)]
            name = kinds[number // 2 % len(kinds)]
            window = None if planted else (None, None, "framed", None, "returns", "both")[number // 2 % 6]
            scanned, missing = room_scans.scan(name, seed, window), None
            if planted:
                scanned, missing = room_scans.without(scanned, place, seed)
            with redirect_stdout(io.StringIO()):
                coverage, T = room_scans.checked(scanned, seed)
            words = _count(count, name, coverage, missing, T)
            if words or options.verbose:
                print(f"{group} {seed} {name} {scanned.words} {missing or 'sound'}: {words or 'right'}", flush=True)
    figures = {}
    for group, suffix in (("new", ""), ("known", "_known")):
        count = counts[group]
        figures[f"room_defects_found{suffix}"] = count["found"] / max(1, count["planted"])
        figures[f"room_sound_sent_back{suffix}"] = count["sent_back"] / max(1, count["sound"])
    return figures | {"release_rooms": counts | {"seed": options.seed}}


def _count(count, name, coverage, missing, T):
    """Count a room; what is wrong with its verdict, in words."""
    if coverage is None:
        count["no_frame"] += 1
        return f"no frame: {T}"
    areas = [f"{area.verdict} {sentences.never_seen(area)}" for area in coverage.areas]
    if missing is None:
        kind = "side_open" if name in room_scans.SIDE_OPEN else "sound"
        count[kind] += 1
        count["side_open_sent_back" if kind == "side_open" else "sent_back"] += bool(coverage.never_seen)
        return "; ".join(areas) if coverage.never_seen else ""
    at = rigid.transform(T, missing.centre_mm[None])[0]
    near = [
        area.verdict for area in coverage.areas if np.linalg.norm(area.centre_mm - at) < missing.radius_mm + NEAR_MM
    ]
    count["planted"] += 1
    count["found"] += "never seen" in near
    count["listed_open"] += bool(near) and "never seen" not in near
    return "" if "never seen" in near else f"{near or 'not found'} at {at.round().tolist()}: {'; '.join(areas)}"


def release_60m_figures(options):
    """Seconds of the check at 60 million points against reading them."""
    with tempfile.TemporaryDirectory(dir=options.scratch) as folder:
        day = Path(folder) / "day"
        made = release_jobs.kept_scene(1000 * options.seed, options.keep or Path(folder) / "scenes")
        release_jobs.write(day / "vehicle", made, None, options.seed)
        count = multiply(day / "vehicle" / "raw", options.points)
        files = sorted((day / "vehicle" / "raw").glob("*.ply"))
        began = time.monotonic()
        for path in files:
            for block in readers.blocks(path, path.name):
                block.xyz.sum()
        read_s = time.monotonic() - began
        command = ["bash", str(ROOT / "workflow" / "night.sh"), str(day), "--release-check"]
        began = time.monotonic()
        done = subprocess.run(command, stdout=sys.stderr, check=False)
        check_s = time.monotonic() - began
    return {
        "check_s_60m": round(check_s, 1),
        "read_s": round(read_s, 1),
        "check_ratio": round(check_s / read_s, 2),
        "check_points": count,
        "check_exit": done.returncode,
    }


def multiply(raw, points):
    """Repeat the points of every export, jittered along the surface, until all hold ``points`` together; the count."""
    rng = np.random.default_rng(83)
    files = sorted(raw.glob("*.ply"))
    kind = np.dtype([(name, "<f4") for name in ("x", "y", "z", "nx", "ny", "nz")])
    total = 0
    for path in files:
        content = path.read_bytes()
        at = content.index(b"end_header\n") + len(b"end_header\n")
        records = np.frombuffer(content[at:], kind)
        times = -(-points // len(files) // len(records))
        changed = path.stat().st_mtime
        with open(path, "wb") as file:
            head = content[:at].decode().replace(f"vertex {len(records)}", f"vertex {times * len(records)}")
            file.write(head.encode())
            xyz = np.column_stack([records[name] for name in "xyz"])
            normal = np.column_stack([records[f"n{name}"] for name in "xyz"])
            for _ in range(times):
                off = rng.normal(0, 4.0, xyz.shape).astype(np.float32)
                off -= np.sum(off * normal, axis=1, keepdims=True) * normal
                out = records.copy()
                for axis, name in enumerate("xyz"):
                    out[name] = xyz[:, axis] + off[:, axis]
                rng.permutation(out).tofile(file)
        os.utime(path, (changed, changed))
        total += times * len(records)
    return total


def pages_figures(options):
    """The pages of a finished day in a browser, and the honesty of their paint."""
    if not list(options.day.glob("results/*/report/*/report.html")):
        raise SystemExit(f"{options.day} holds no finished night: run bash demo/run.sh first, or name a day by --day.")
    return report_in_browser.figures(options.day)


FIGURES = {
    "release_jobs": release_jobs_figures,
    "release_rooms": release_rooms_figures,
    "release_60m": release_60m_figures,
    "pages": pages_figures,
}


def main():
    parser = argparse.ArgumentParser(description="Bench of the release check and of the pages.")
    parser.add_argument("--figures", default=",".join(FIGURES), help="which of them, divided by commas")
    parser.add_argument("--jobs", type=int, default=100, help="simulated jobs")
    parser.add_argument("--kinds", default="", help="only jobs of these kinds, divided by commas")
    parser.add_argument("--scenes", type=int, default=10, help="bodies that are scanned for them")
    parser.add_argument("--rooms", type=int, default=32, help="rooms of each kind of verdict, known and new ones")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--points", type=int, default=60_000_000)
    parser.add_argument("--keep", type=Path, help="folder in which scanned bodies are kept for another run")
    parser.add_argument("--scratch", type=Path, help="folder for 2 GB of raw files")
    parser.add_argument("--day", type=Path, default=ROOT / "demo" / "day", help="the finished day of the pages")
    parser.add_argument("--verbose", action="store_true", help="say every verdict")
    options = parser.parse_args()
    figures = {}
    for name in options.figures.split(","):
        figures |= FIGURES[name](options)
    print(json.dumps(figures, default=float))


if __name__ == "__main__":
    main()
