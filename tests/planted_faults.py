"""Real nights with a fault planted in one job: what becomes of that job, and whether any other job noticed.

A night is run by a copy of the project in which one stage of the job ``victim`` does what :data:`FAULTS` says. Its
neighbours are the same vehicle under other names, and must come to the same bytes as in a night without the fault.
"""

import json
import os
import shutil
import subprocess
import sys
import textwrap
from dataclasses import dataclass
from pathlib import Path

import memory_group
from nightbay.pipeline import attempts
from nightbay.report import board, board_rows
from workflow import nights

MODEL, VICTIM, NEIGHBOURS = "larch-loadbay", "victim", ("east", "west")
STAGE = "deliver"  # steps before it are taken from the night without a fault
PART = "interior"
MEMORY_GB = 1  # of the night: so much is filled before the second attempt ends


@dataclass(frozen=True)
class Fault:
    """What the stage does, as Python code, and what must follow: the causes of its attempts, the state of its row, and
    words of the sentence on the board. ``group_mb``: memory of a control group that the night runs in; the night takes
    the machine for larger, so that the kernel ends the stage and not the night."""

    code: str
    causes: tuple[str, ...]
    words: tuple[str, ...] = ()
    state: str = board_rows.FAILED
    group_mb: int | None = None


FILL = "held = []\nwhile len(held) < 400:\n    held.append(b'x' * 10_000_000)"
GROUP_MB = 1500  # of the fault that the kernel ends: all else of a night of this day fits in
ALLOWED_MB = 4000  # of each stage where the kernel ends one: the night itself never has to
FAULTS = {
    "segmentation fault": Fault("import ctypes\nctypes.string_at(0)", ("crash",), ("crashed (SIGSEGV)",)),
    "killed from outside": Fault(
        "import os, signal\nos.kill(os.getpid(), signal.SIGKILL)", ("crash",), ("crashed (SIGKILL)",)
    ),
    "memory": Fault(
        FILL, ("memory", "memory"), ("was stopped twice", "where 1.00\u202fGB were allowed, all that the night may use")
    ),
    "memory once": Fault(
        "import time\nheld = b'x' * 700_000_000\ntime.sleep(1)", ("memory", "done"), (), board_rows.COMPLETE
    ),
    "memory of a group": Fault(
        FILL, ("memory", "memory"), ("had no more when it used", "of 8.00\u202fGB allowed"), group_mb=GROUP_MB
    ),
    "memory of a group once": Fault(
        f"if snakemake.resources.attempt == 1:\n{textwrap.indent(FILL, '    ')}",
        ("memory", "done"),
        (),
        board_rows.COMPLETE,
        GROUP_MB,
    ),
    "time": Fault("import time\ntime.sleep(3600)", ("time",), ("was stopped after 1\u202fmin",)),
    "exception": Fault("raise ZeroDivisionError('of nothing')", ("exception",), ("ZeroDivisionError: of nothing",)),
    "exit": Fault("import os\nos._exit(7)", ("exit",), ("exit code 7",)),
    "exit without a fault": Fault("import os\nos._exit(0)", ("exit",), ("exit code 0",)),
    "missing file": Fault(
        "(upstream['reduce'].folder / 'full.ply').unlink()", ("exception",), ("FileNotFoundError", "full.ply")
    ),
}


@dataclass(frozen=True)
class Outcome:
    """Of a night with a fault: the share of ``neighbours`` that ended as without it; whether the board states the cause
    (``stated``), whether the log of each failed attempt is ``kept``, and whether it was tried as often as it should be
    (``tried``); what the board said."""

    fault: str
    neighbours: float
    stated: bool
    kept: bool
    tried: bool
    said: str


def make_day(folder, points):
    """A day of the victim and its neighbours, and its night without a fault; returns the day."""
    subprocess.run(
        [
            *(sys.executable, str(nights.ROOT / "demo" / "make_day.py"), "--points", str(points)),
            *("--jobs", MODEL, "--chord-mm", "2", "--out", str(folder / "made"), "--truth", str(folder / "truth")),
        ],
        check=True,
        stdout=sys.stderr,
        env={**os.environ, "PYTHONPATH": f"{nights.ROOT / 'workflow/scripts'}:{nights.ROOT / 'demo'}"},
    )
    day = folder / "sound"
    for name in (VICTIM, *NEIGHBOURS):
        shutil.copytree(folder / "made" / MODEL, day / name)
        nights.set_parameters(day, name, {"report": {"picture_px": nights.PICTURE_PX}})
    done = nights.run_night(day, "--memory", str(MEMORY_GB))
    ended = {name: _state(day, name) for name in (VICTIM, *NEIGHBOURS)}
    if done.returncode or not all(state.startswith(board_rows.COMPLETE) for state in ended.values()):
        raise RuntimeError(f"{ended}\n{done.stdout}{done.stderr}")
    return day


def outcome(sound, name, folder, victim=VICTIM, neighbours=NEIGHBOURS):
    """Run the night with the fault ``name`` over a copy of the finished day ``sound``, in ``folder``."""
    fault, day = FAULTS[name], folder / "day"
    nights.copy_for_dry_runs(sound, day)
    house = _house(folder / "house", fault, victim)
    if fault.group_mb is None:
        done = nights.run_night(day, "--memory", str(MEMORY_GB), house=house)
    else:
        with memory_group.of(fault.group_mb) as enter:
            done = nights.run_night(day, "--memory", str(2 * ALLOWED_MB // 1000), house=house, preexec_fn=enter)
    rows = {row["job"]: row for row in json.loads((day / board.JSON).read_text(encoding="utf-8"))["result"]["jobs"]}
    same = [
        rows[job]["state"] == _state(sound, job)
        and nights.digests(day / "results" / job) == nights.digests(sound / "results" / job)
        for job in neighbours
    ]
    log = day / "logs" / victim / STAGE / f"{PART}.log"
    tried = attempts.read(log)
    said = " ".join(rows[victim]["sentences"])
    state = rows[victim]["state"]
    as_expected = state.startswith(fault.state) and (done.returncode == 1) is (fault.state == board_rows.FAILED)
    return Outcome(
        name,
        sum(same) / len(same),
        as_expected and all(words in said for words in fault.words),
        all((day / attempt.log).stat().st_size > 0 for attempt in tried if attempt.cause != "done"),
        tuple(attempt.cause for attempt in tried) == fault.causes,
        f"{state}: {said}",
    )


def _state(day, job):
    rows = json.loads((day / board.JSON).read_text(encoding="utf-8"))["result"]["jobs"]
    return next(row["state"] for row in rows if row["job"] == job)


def _house(folder, fault, victim):
    """A copy of the project with the fault in it, in which a minute is enough to be taken for hung."""
    nights.copy_house(folder)
    (folder / "envs" / ".venvs").symlink_to(Path(sys.executable).parents[2])
    needs = folder / "workflow/scripts/nightbay/planning/needs.py"
    text = needs.read_text(encoding="utf-8")
    assert "SLACK, LEAST_MIN = 10, 15" in text
    text = text.replace("SLACK, LEAST_MIN = 10, 15", "SLACK, LEAST_MIN = 10, 1")
    if fault.group_mb is not None:
        assert "LEAST_MB = 600" in text
        text = text.replace("LEAST_MB = 600", f"LEAST_MB = {ALLOWED_MB}")
    needs.write_text(text, encoding="utf-8")
    script = folder / f"workflow/scripts/{STAGE}.py"
    lines = "".join(f"        {line}\n" for line in fault.code.splitlines())
    script.write_text(
        f"from nightbay.{STAGE} import {STAGE}\nfrom nightbay.pipeline import stage\n\n\n"
        f"def planted(upstream, *others):\n    if snakemake.wildcards.job == {victim!r}:\n{lines}"
        f"    return {STAGE}.{STAGE}(upstream, *others)\n\n\nstage.run(snakemake, planted)\n",
        encoding="utf-8",
    )
    return folder
