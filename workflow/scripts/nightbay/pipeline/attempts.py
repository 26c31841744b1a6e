"""The attempts at one step of a night: each within its limits, with a record of how it ended beside the step's log.

The records are ``<log without ending>.attempts.json``, a list. Snakemake deletes a log before the next attempt, so the
log of one that failed is kept as ``<log without ending>.attempt-<number>.log``.
"""

import glob
import json
import os
import shutil
import sys
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from nightbay.pipeline import supervision
from nightbay.pipeline.supervision import Cause, Limits

ENDING = ".attempts.json"


@dataclass(frozen=True)
class Attempt:
    """One attempt: its number from 1, how it ended (:class:`supervision.End`), what it used and was allowed, and where
    its log is kept, relative to the day."""

    attempt: int
    cause: Cause
    detail: str
    peak_mb: float | None
    allowed_mb: float | None
    seconds: float
    cpu_s: float
    allowed_s: float | None
    log: str


def run(work: Callable[[], None], log: str | os.PathLike[str], resources: Mapping[str, Any]) -> None:
    """Run ``work`` within the limits that its rule declares; what it prints goes to ``log``.

    ``resources``: ``mem_mb``, ``runtime`` in minutes, and ``attempt``, the number of this attempt. Raises SystemExit
    where the work did not come to its end. A further attempt is made only where the one before had too little memory
    and this one may use more: any other fault would come again.
    """
    log, number = Path(log), int(resources.get("attempt", 1))
    limits = Limits(_positive(resources.get("mem_mb")), _positive(resources.get("runtime"), 60))
    if number == 1:
        _forget(log)
    before = read(log)
    if before and not _may_help(before[-1], limits):
        shutil.copyfile(_kept(log, before[-1].attempt), log)
        sys.exit(1)
    with open(log, "w", encoding="utf-8") as file:
        os.dup2(file.fileno(), 1)  # native code prints to the descriptors, not to sys.stdout
        os.dup2(file.fileno(), 2)
        end = supervision.run(work, limits, file)
        if end.cause != "done":
            print(_in_short(end, limits), flush=True)
    kept = str(log)
    if end.cause != "done":
        kept = str(_kept(log, number))
        shutil.copyfile(log, kept)
    attempt = Attempt(number, **asdict(end), allowed_mb=limits.memory_mb, allowed_s=limits.time_s, log=kept)
    _write(log, [*before, attempt])
    if end.cause != "done":
        sys.exit(1)


def read(log: str | os.PathLike[str]) -> list[Attempt]:
    """The attempts at the step with this log, the first one first; empty where there is no record that can be read."""
    try:
        return [Attempt(**entry) for entry in json.loads(_record(Path(log)).read_text(encoding="utf-8"))]
    except (OSError, ValueError, TypeError):
        return []


def _forget(log: Path) -> None:
    """Remove what an earlier night left of its attempts, which would be taken for that of this night."""
    for path in (_record(log), *log.parent.glob(f"{glob.escape(log.stem)}.attempt-*.log")):
        path.unlink(missing_ok=True)


def _may_help(before: Attempt, limits: Limits) -> bool:
    """Whether a further attempt may end otherwise: with more memory, or of a step that had ended well and runs again
    because another step of its cluster job failed."""
    more = limits.memory_mb is None or before.allowed_mb is None or limits.memory_mb > before.allowed_mb
    return before.cause == "done" or (before.cause == "memory" and more)


def _positive(value: Any, factor: int = 1) -> float | None:
    """A resource that is a number above 0, times a factor; None for any other."""
    return value * factor if isinstance(value, int | float) and value > 0 else None


def _kept(log: Path, number: int) -> Path:
    return log.with_name(f"{log.stem}.attempt-{number}.log")


def _record(log: Path) -> Path:
    return log.with_name(log.stem + ENDING)


def _write(log: Path, attempts: list[Attempt]) -> None:
    """Write the record whole or not at all. A disk without space for it must not fail a step that is done."""
    beside = _record(log).with_name(_record(log).name + ".part")
    with suppress(OSError):
        beside.write_text(json.dumps([asdict(attempt) for attempt in attempts], indent=1) + "\n", encoding="utf-8")
        os.replace(beside, _record(log))


def _in_short(end: supervision.End, limits: Limits) -> str:
    """The end of an attempt that failed, for the log."""
    used = "unknown memory" if end.peak_mb is None else f"{end.peak_mb:.0f} MB"
    memory = "" if limits.memory_mb is None else f" of {limits.memory_mb:.0f} MB"
    time = "" if limits.time_s is None else f" of {limits.time_s:.0f} s"
    return f"ended by {end.cause} {end.detail}".rstrip() + f"; used {used}{memory}, {end.seconds:.0f} s{time}"
