"""Ends nights at chosen moments, by a signal to one process or to the group, and finds what is left of them."""

import contextlib
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from nightbay.core import hashing

ROOT = Path(__file__).resolve().parents[1]
LEFT_S = 30.0  # after which a process that is left of an ended night counts as an orphan; the keeper makes a board
WAYS = (
    *(("SIGKILL", target) for target in ("group", "pid", "child", "guard")),
    *((name, target) for name in ("SIGTERM", "SIGINT", "SIGHUP") for target in ("pid", "group")),
)  # fmt: skip


@dataclass(frozen=True)
class Ended:
    """``seconds`` from the signal to the end of the night's own process, its exit code, what it said, and how many
    processes of it were left after :data:`LEFT_S`."""

    seconds: float
    code: int
    said: str
    orphans: int


def _heeds_signals():
    """A shell's background commands ignore SIGINT, and those of nohup SIGHUP; bash can't undo that, so tests would not
    depend on the night but on how they were started."""
    for number in (signal.SIGINT, signal.SIGHUP):
        signal.signal(number, signal.SIG_DFL)


def start(day, *options, house=ROOT, **process):
    """A night in a process group of its own, with one processor and little memory."""
    options = ("--cores", "1", "--memory", "4", *options)
    return subprocess.Popen(
        ["bash", str(house / "workflow" / "night.sh"), str(day), *options],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, process_group=0,
        preexec_fn=_heeds_signals,
        **process,
    )  # fmt: skip


def processes(day):
    """Numbers of the living processes that have the path of the day in their arguments or their environment."""
    return [int(name) for name in os.listdir("/proc") if name.isdecimal() and _of(Path("/proc", name), day)]


def with_argument(day, mark):
    """Those of :func:`processes` that have ``mark`` in their arguments, which NUL separates."""
    found = []
    for number in processes(day):
        with contextlib.suppress(OSError):
            if mark.encode() in Path(f"/proc/{number}/cmdline").read_bytes():
                found.append(number)
    return found


def _of(process, day):
    mark = os.fsencode(day) + b"/"
    try:
        state = (process / "stat").read_text(errors="replace").rpartition(")")[2].split()[0]
        known = (process / "environ").read_bytes() + (process / "cmdline").read_bytes().replace(b"\0", b"/\0")
    except OSError:
        return False
    return state != "Z" and int(process.name) != os.getpid() and mark in known


def send(night, day, name, target, rng=random):
    """Send the signal ``name`` to the night's "pid", to its "group", to a "child" of it, or to the "guard": the process
    with that number and the one that keeps the night below it, the only child of the first."""
    number = getattr(signal, name)
    with contextlib.suppress(ProcessLookupError):  # it has ended
        if target == "group":
            os.killpg(night.pid, number)
        elif target == "pid":
            night.send_signal(number)
        elif target == "guard":
            kept = Path(f"/proc/{night.pid}/task/{night.pid}/children").read_text().split()
            night.send_signal(number)
            for child in kept:
                os.kill(int(child), number)
        elif children := sorted(set(processes(day)) - {night.pid}):
            os.kill(rng.choice(children), number)


def end(night, day, name, target, rng=random):
    """Send a signal as :func:`send` does, and wait for the end."""
    began = time.monotonic()
    send(night, day, name, target, rng)
    said = night.communicate()[0]
    seconds = time.monotonic() - began
    return Ended(seconds, night.returncode, said, len(left(day)))


@dataclass(frozen=True)
class Killed:
    """A night that was ended: how, when, how long that took, and what came of it when the same command ran again;
    ``fault``: why that is not identical to the night that nothing ended."""

    name: str
    target: str
    moment_s: float
    seconds: float
    orphans: int
    board: bool
    identical: bool
    code: int
    fault: str = ""


def killed(raw, folder, sound, name, target, moment_s, rng):
    """A night of the day ``raw`` in ``folder`` that is ended after ``moment_s`` seconds and started again, as a
    :class:`Killed`; ``sound``: the results that it should have. None where it had ended before."""
    day = fresh(raw, folder)
    night = start(day)
    with contextlib.suppress(subprocess.TimeoutExpired):
        night.communicate(timeout=moment_s)
        return None
    ended = end(night, day, name, target, rng)
    page = day / "results/board/board/index.html"
    # The call may have ended before the set-up was done and anything of the day was read.
    board = not (day / ".nightbay/night.lock").exists() or (page.exists() and "http-equiv" not in page.read_text())
    fault = finish(day)
    made = results(day)
    if not fault and made != sound:
        fault = f"differs: {sorted(name for name in made.keys() | sound if made.get(name) != sound.get(name))}"
    same, moment_s, seconds = not fault, round(moment_s, 2), round(ended.seconds, 2)
    return Killed(name, target, moment_s, seconds, ended.orphans, board, same, ended.code, fault)


def finish(day):
    """Run the night of a day to its end; what it said where it did not end well, else nothing."""
    night = start(day)
    said = night.communicate()[0]
    return f"exit code {night.returncode}: {said}" if night.returncode else ""


def left(day, seconds=LEFT_S):
    """The processes of a day that are still there after so many seconds; returns as soon as there are none."""
    until = time.monotonic() + seconds
    while (found := processes(day)) and time.monotonic() < until:
        time.sleep(0.1)
    return found


def results(day):
    """The hash of every file of the jobs' results; the board has times in it, and so have Snakemake's own records."""
    return {
        str(path.relative_to(day)): hashing.sha256(path)
        for path in sorted((day / "results").glob("*/*/**/*"))
        if path.is_file() and path.parts[len(day.parts) + 1] != "board" and path.name != ".snakemake_timestamp"
    }


def make_day(folder):
    """The smallest day, below ``folder``: the ball bar of the demo, of which a night makes all in three stages."""
    options = ["--jobs", "morning-check", "--points", "20000", "--cores", "1"]
    command = [sys.executable, str(ROOT / "demo/make_day.py"), *options, "--out", str(folder / "small")]
    paths = f"{ROOT / 'workflow/scripts'}:{ROOT / 'demo'}"
    subprocess.run([*command, "--truth", str(folder / "truth")], check=True, env={**os.environ, "PYTHONPATH": paths})
    return folder / "small"


def fresh(day, folder):
    """A copy of a day's raw files and job sheets."""
    shutil.rmtree(folder, ignore_errors=True)
    return shutil.copytree(
        day, folder, ignore=shutil.ignore_patterns("results", "logs", "benchmarks", ".snakemake", ".nightbay")
    )
