"""How the whole night grows with the points: one van of five segments, 15 and 60 million raw points, two cores.

    bash tests/bench/run.sh growth [--points 15000000 60000000] [--cores 2] [--keep FOLDER]

`growth` is the time of the largest night over that of the smallest; linear would be their ratio of points. `peak_gb` is
the most memory of its own that a stage held at the largest size, from the records of attempts. `io_ratio` is the time
of the largest night over that of only reading its raw files, with Nightbay's readers, and writing as many bytes as the
night delivered. Files may be in the system's cache in both; the days are made before the clock starts.
"""

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from nightbay.pipeline import attempts

ROOT = Path(__file__).resolve().parents[2]
JOB = "larch-van"


def make_day(folder, points, cores):
    """A day of the one job below ``folder``; its path."""
    words = ["--out", folder / "day", "--truth", folder / "truth", "--points", points, "--jobs", JOB, "--cores", cores]
    words = [sys.executable, ROOT / "demo" / "make_day.py", *words]
    subprocess.run([str(word) for word in words], check=True, stdout=sys.stderr)
    return folder / "day"


def night(day, cores):
    """Wall seconds of the night run."""
    since = time.perf_counter()
    words = ["bash", ROOT / "workflow" / "night.sh", day, "--cores", cores]
    subprocess.run([str(word) for word in words], check=True, stdout=sys.stderr)
    took = time.perf_counter() - since
    report = json.loads((day / "results" / JOB / "report" / f"{JOB}.json").read_text(encoding="utf-8"))
    if report["status"] != "ok":
        raise SystemExit(f"the night refused the job: {report['reasons']}")
    return took


def stages(day):
    """Of every stage the wall seconds of all its jobs and the largest memory of one, 10^9 bytes; None: not measured."""
    found = {}
    for path in sorted((day / "logs" / JOB).glob(f"*/*{attempts.ENDING}")):
        last = json.loads(path.read_text(encoding="utf-8"))[-1]
        entry = found.setdefault(path.parent.name, {"wall_s": 0.0, "peak_gb": None})
        entry["wall_s"] += last["seconds"]
        if last["peak_mb"] is not None:
            entry["peak_gb"] = max(entry["peak_gb"] or 0.0, last["peak_mb"] / 1000)
    return found


def only_io(day):
    """Seconds to read the raw files and to write as many bytes as were delivered, on one core."""
    from nightbay import readers

    since = time.perf_counter()
    for path in sorted((day / JOB / "raw").iterdir()):
        if "targets" not in path.name and path.name != "control.csv":
            for _ in readers.blocks(path, path.name):
                pass
    read = time.perf_counter() - since
    delivered = [path for path in (day / "results" / JOB / "deliver").rglob("*") if path.is_file()]
    since = time.perf_counter()
    with tempfile.NamedTemporaryFile(dir=day) as sink:
        for path in delivered:
            with open(path, "rb") as source:
                shutil.copyfileobj(source, sink, 1 << 22)
        sink.flush()
    return read, time.perf_counter() - since


def main():
    """The command line; the last line printed is one JSON object."""
    parser = argparse.ArgumentParser(description="How the whole night grows with the points.")
    parser.add_argument("--points", type=int, nargs="+", default=[15_000_000, 60_000_000])
    parser.add_argument("--cores", type=int, default=2)
    parser.add_argument("--keep", type=Path, help="work and leave the days here instead of in a folder that goes")
    options = parser.parse_args()
    work = options.keep or Path(tempfile.mkdtemp(prefix="growth-"))
    walls, peaks, ratio = [], [], None
    try:
        for points in sorted(options.points):
            folder = work / str(points)
            folder.mkdir(parents=True, exist_ok=True)
            day = make_day(folder, points, options.cores)
            walls.append(night(day, options.cores))
            parts = stages(day)
            peaks.append(max(one["peak_gb"] for one in parts.values() if one["peak_gb"] is not None))
            read, write = only_io(day)
            ratio = walls[-1] / (read + write)
            print(
                json.dumps({"points": points, "wall_s": walls[-1], "read_s": read, "write_s": write, "stages": parts})
            )
            if not options.keep:
                shutil.rmtree(folder)
    finally:
        if not options.keep:
            shutil.rmtree(work, ignore_errors=True)
    figures = {
        "growth": walls[-1] / walls[0],
        "points_ratio": max(options.points) / min(options.points),
        "peak_gb": peaks[-1],
        "io_ratio": ratio,
        "wall_s": walls,
        "points": sorted(options.points),
        "cores": options.cores,
    }
    print(
        json.dumps({key: np.round(value, 3).tolist() if key != "points" else value for key, value in figures.items()})
    )


if __name__ == "__main__":
    main()
