"""Runs nights and plans them on small days, as a user would, for the workflow tests."""

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import yaml

from nightbay.core import hashing
from nightbay.planning import night

ROOT = Path(__file__).resolve().parents[2]
POINTS = 250_000  # raw points of a vehicle: about 10 mm apart, enough to find wheels and ground
URGENT = "pebble-compact"  # whose chain of steps is shorter than the van's, so that it would not come first by itself
PICTURE_PX = 400  # what the pages show is looked at in the tests of report; the time goes with the number of pixels


def make_day(folder):
    """Make the small demo day in ``folder``/day, the job :data:`URGENT` urgent, and its truth in ``folder``/truth;
    returns the day."""
    subprocess.run(
        [
            *(sys.executable, str(ROOT / "demo" / "make_day.py"), "--points", str(POINTS)),
            *("--chord-mm", "1"),  # coarser bodies: less to make
            *("--out", str(folder / "day"), "--truth", str(folder / "truth")),
        ],
        check=True,
        env={**os.environ, "PYTHONPATH": f"{ROOT / 'workflow/scripts'}:{ROOT / 'demo'}"},
    )
    day = folder / "day"
    for sheet in day.glob("*/job.yaml"):
        set_parameters(day, sheet.parent.name, {"report": {"picture_px": PICTURE_PX}})
    with open(day / URGENT / "job.yaml", "a", encoding="utf-8") as sheet:
        sheet.write("urgent: true\n")
    return day


def set_parameters(day, job, values):
    """Change the job sheet's parameters: ``values`` {section: {key: value}}."""
    path = day / job / "job.yaml"
    sheet = yaml.safe_load(path.read_text(encoding="utf-8"))
    own = sheet.setdefault("parameters", {})
    for section, keys in values.items():
        own.setdefault(section, {}).update(keys)
    path.write_text(yaml.safe_dump(sheet, sort_keys=False), encoding="utf-8")


def run_night(day, *options, house=ROOT, **process):
    """``bash workflow/night.sh day options``: the finished process with its output as text."""
    command = ["bash", str(house / "workflow" / "night.sh"), str(day), *options]
    return subprocess.run(command, capture_output=True, text=True, check=False, **process)


def plain(day, house, *options, **process):
    """Plain Snakemake without the night run around it: the finished process with its output as text."""
    command = [
        *(sys.executable, "-m", "snakemake", *options, "--snakefile", str(house / "Snakefile")),
        *("--directory", str(day), "--profile", str(house / "workflow/profiles/workstation")),
    ]
    return subprocess.run(command, capture_output=True, text=True, check=False, **process)


def scheduled(day, house=ROOT):
    """What a dry run of plain Snakemake would run: a set of (stage, subject)."""
    paths = [str(house / "workflow" / name) for name in ("logger", "scripts")]
    paths += filter(None, [os.environ.get("PYTHONPATH")])
    with tempfile.NamedTemporaryFile("r", encoding="utf-8") as events:
        logger = ("--logger", "nightbay", "--logger-nightbay-events", events.name)
        done = plain(day, house, "--dry-run", *logger, env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)})
        assert done.returncode == 0, done.stdout + done.stderr
        return {(step.stage, step.subject) for step in night.steps(events)}


def digests(folder):
    """The hash of every file below a folder; records of time are not results."""
    return {
        str(path.relative_to(folder)): hashing.sha256(path)
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != ".snakemake_timestamp"
    }


def copy_for_dry_runs(day, copy):
    """Copy a day with file times; its results, hundreds of megabytes, are links that nobody may write through."""
    results = str(day / "results") + os.sep

    def link_or_copy(source, target):
        (os.link if source.startswith(results) else shutil.copy2)(source, target)

    shutil.copytree(day, copy, copy_function=link_or_copy)


def copy_house(folder):
    """A copy of everything that a night needs from the project, to be edited by a test.

    File times are kept, by which Python knows its compiled files again.
    """
    ignore = shutil.ignore_patterns(".venv*")
    for name in ("Snakefile", "pyproject.toml", "config", "workflow", "envs"):
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, folder / name, ignore=ignore)
        else:
            folder.mkdir(parents=True, exist_ok=True)
            shutil.copy2(source, folder / name)
    return folder
