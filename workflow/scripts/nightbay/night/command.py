"""Runs a night below a guard: the day's lock, a share of the machine, the night itself, what follows its end.

Usage: python -m nightbay.night.command DAY [--cores N] [--memory GB] [--notify PROGRAM] [--kind KIND] -- COMMAND
COMMAND is run with ``NIGHTBAY_PHASE`` as "body", and where the night was ended otherwise once more as "ending" with
the reason in ``NIGHTBAY_ENDED_BY``. Both find ``NIGHTBAY_LOG``, ``NIGHTBAY_CORES`` and ``NIGHTBAY_MEMORY_GB``. KIND is
"here" where stages take a share of this machine, "cluster" where they run elsewhere, "dry" where nothing is run, and
"check" for what may run beside a night of the same day, without its lock.
"""

import argparse
import os
import shutil
import sys
import tempfile
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import datetime
from pathlib import Path

from nightbay.core.errors import Rejected
from nightbay.core.printable import printable
from nightbay.night import day_lock, guard, machine_share, notification
from nightbay.night.guard import Outcome, Signals, Stopped
from nightbay.night.machine_share import Registration, Share

BOARD = "results/board/board/index.html"  # of the day
SHARE_S = 5.0  # between two looks for a share that is free
# Measured: 57 s of a processor for a night of one interior (NumPy and Numba of envs/requirements.lock).
UNKEPT = (
    "Compiled code can't be kept, for this user may write neither to the folder of Nightbay nor to a home or cache "
    "folder: every night takes a minute or more to compile it again. Name a folder of this user in XDG_CACHE_HOME."
)


def main(arguments: Sequence[str]) -> int:
    """Entry of ``python -m nightbay.night.command``; returns the exit code of the night."""
    between = list(arguments).index("--")
    parser = argparse.ArgumentParser()
    parser.add_argument("day", type=Path)
    parser.add_argument("--cores", type=int)
    parser.add_argument("--memory", type=int)
    parser.add_argument("--notify")
    parser.add_argument("--kind", choices=("here", "cluster", "dry", "check"), default="here")
    options = parser.parse_args(arguments[:between])
    signals = Signals()
    signals.block()
    try:
        return _night(options, arguments[between + 1 :], signals)
    except Rejected as rejection:
        guard.announce(str(rejection))
        return 2
    except Stopped as stopped:
        guard.announce("Ended by a signal before the night began; run the same command to start it.")
        return 128 + stopped.number


def _night(options: argparse.Namespace, command: Sequence[str], signals: Signals) -> int:
    """The night from its lock to its end. Raises :class:`Rejected` where it can't begin, :class:`Stopped` where a
    signal comes before it does."""
    began, day = datetime.now().astimezone(), options.day
    program = notification.command(options.notify, day) if options.notify else None
    log = day / "logs" / "night" / f"{began:%Y-%m-%dT%H-%M-%S}.log"
    kept = []
    if options.kind != "check":
        holder = day_lock.this_process(log, began.isoformat(" ", "seconds"))
        kept.append(day_lock.take(day, holder, pause=signals.pause))
    whole, wish = machine_share.machine(), (options.cores, options.memory)
    share = Share(options.cores or whole.cores, options.memory or whole.memory_gb)
    if options.kind == "here":
        share, descriptors = _share(day, whole, wish, signals)
        kept += descriptors
    scratch = _scratch()
    environment = _environment(share, log, scratch, options.kind == "cluster")
    if options.kind == "here" and not _keeps_compiled(environment, scratch):
        guard.announce(printable(UNKEPT))

    def finish(outcome: Outcome, seconds: float) -> None:
        shutil.rmtree(scratch, ignore_errors=True)
        if program and options.kind in ("here", "cluster"):
            fault = notification.notify(program, outcome, day / BOARD, seconds)
            if fault:
                guard.announce(printable(fault))

    return guard.run(guard.Night(command, environment, kept, finish), signals)


def _share(day: Path, whole: Share, wish: tuple[int | None, int | None], signals: Signals) -> tuple[Share, list[int]]:
    """The share of the machine and the descriptors that keep it, as soon as enough is free."""
    own, said = Registration(day_lock.user(), os.getpid(), str(day), 0, 0), ""
    try:
        place = machine_share.folder()
        while True:
            share, descriptor, others = machine_share.take(place, whole, own, wish, signals.pause)
            sentence = machine_share.sentence(whole, share, others)
            if sentence != said:
                guard.announce(printable(sentence))
                said = sentence
            if share is not None:
                return share, [descriptor]
            signals.pause(SHARE_S)
    except (OSError, Rejected) as fault:
        # A night that the vehicles wait for is not given up for this, but whoever reads the terminal is to know.
        guard.announce(printable(f"{fault} This night goes on as if it were alone."))
        return Share(wish[0] or whole.cores, wish[1] or whole.memory_gb), []


def _scratch() -> Path:
    """A folder for temporary files. Raises :class:`Rejected` where there can be none."""
    try:
        return Path(tempfile.mkdtemp(prefix="nightbay-night-"))
    except OSError as error:
        raise Rejected(
            f"Temporary files can't be written to {tempfile.gettempdir()} ({error.strerror}): free some space there, or"
            " set TMPDIR to another folder."
        ) from error


def _environment(share: Share, log: Path, scratch: Path, elsewhere: bool) -> dict[str, str]:
    """What the night finds in its environment. Temporary files go to a folder that is removed at the end, and so do
    caches where a service user has no home and ``XDG_CACHE_HOME`` names no folder of his: they hold code, so the day is
    no place for them. Snakemake asks for the user's name and ends where there is none, as in some containers."""
    environment = {"LOGNAME": day_lock.user()} | dict(os.environ)
    _, _, paths = environment.pop("PYTHONPATH", "").partition(os.pathsep)  # the first is there for this module
    if paths:
        environment["PYTHONPATH"] = paths
    home = environment.get("HOME") or "/nonexistent"
    if not elsewhere:  # another node does not have the folder
        environment["TMPDIR"] = str(scratch)
        if not _writable(environment.get("XDG_CACHE_HOME") or f"{home}/.cache"):
            environment["XDG_CACHE_HOME"] = str(scratch / "cache")
    if not os.access(home, os.W_OK):
        environment["HOME"] = str(scratch)
    return environment | {
        "NIGHTBAY_LOG": str(log),
        "NIGHTBAY_CORES": str(share.cores),
        "NIGHTBAY_MEMORY_GB": str(share.memory_gb),
    }


def _keeps_compiled(environment: Mapping[str, str], scratch: Path) -> bool:
    """Whether compiled code outlives the night: beside the code, where Numba looks first, or in a cache folder."""
    return os.access(Path(__file__).parent, os.W_OK) or environment.get("XDG_CACHE_HOME") != str(scratch / "cache")


def _writable(folder: str) -> bool:
    """Whether there is such a folder that may be written to; it is made where the one above it is there."""
    with suppress(OSError):
        os.mkdir(folder, 0o700)
    return os.access(folder, os.W_OK | os.X_OK)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
