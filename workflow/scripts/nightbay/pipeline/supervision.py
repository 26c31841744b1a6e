"""Runs work in a process of its own within limits of memory and time, and says how it ended.

Whatever becomes of that process, a crash of native code, a kill by the system or a hang, the process that watches it
goes on and says so. Why a watch and no limit of the system: RLIMIT_AS and RLIMIT_DATA count what is reserved, which can
be a multiple of what is used, and they count for each process by itself; control groups need rights that an ordinary
user may not have. What the watch misses between two looks is left to the system, which kills the work before anything
else where the machine runs out of memory.
"""

import faulthandler
import gc
import os
import resource
import signal
import sys
import time
import traceback
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Literal, NoReturn

from nightbay.pipeline import process_tree
from nightbay.pipeline.process_tree import Process

LOOK_S = 0.1  # between two looks at the memory; a processor fills some 0.2 GB in that time
SEARCH_S = 0.5  # between two searches for new processes of the work
LAST_WORDS_S = 2.0  # that a process has to write where it stood
MB = 1_000_000

Cause = Literal["done", "exception", "exit", "crash", "memory", "time"]


@dataclass(frozen=True)
class Limits:
    """What the work may use: ``memory_mb`` of its own memory with all its processes, ``time_s`` on the clock; None:
    no limit."""

    memory_mb: float | None = None
    time_s: float | None = None


@dataclass(frozen=True)
class End:
    """How the work ended: its ``cause``; ``detail``: the name of a signal, an exit code or an exception; its highest
    memory, None where the system does not say or the work took less than a look; its time on the clock and of
    processors, with that of the processes that it waited for."""

    cause: Cause
    detail: str
    peak_mb: float | None
    seconds: float
    cpu_s: float


def run(work: Callable[[], None], limits: Limits, log: IO[str] | None = None) -> End:
    """Run ``work`` in a process of its own and wait for its end.

    ``log``: open for writing, where a crash writes the stack of each thread; standard error without it.
    """
    reading, writing = os.pipe()
    oom_kills = _oom_kills()
    sys.stdout.flush()
    sys.stderr.flush()
    parent, start = os.getpid(), time.monotonic()
    gc.freeze()  # what is there is neither searched nor copied in the child, nor searched again at the exit
    child = os.fork()
    if child == 0:
        os.close(reading)
        _work(work, writing, parent, log or sys.stderr)
    os.close(writing)
    watch = _Watch(child, limits, start)
    try:
        status, usage = watch.until_the_end()
    finally:
        process_tree.end(watch.processes)
    with os.fdopen(reading, encoding="utf-8", errors="replace") as said:
        last = said.read()
    seconds = time.monotonic() - start
    cause, detail = watch.exceeded or _cause(status, last, _oom_kills() - oom_kills)
    return End(cause, detail, watch.peak and watch.peak / MB, seconds, usage.ru_utime + usage.ru_stime)


def _cause(status: int, last: str, oom_kills: int) -> tuple[Cause, str]:
    """Why a process ended, from its status, its last words, and how many processes the system killed for memory."""
    code = os.waitstatus_to_exitcode(status)
    if code < 0:
        name = signal.Signals(-code).name if -code in list(signal.Signals) else f"signal {-code}"
        return ("memory" if code == -signal.SIGKILL and oom_kills else "crash"), name
    kind, _, detail = last.partition(" ")
    if kind == "done":
        return "done", ""
    if kind == "memory":
        return "memory", detail
    return ("exception", detail) if kind == "exception" else ("exit", str(code))


@dataclass
class _Watch:
    """The process ``child`` of the work with its descendants, its highest memory so far, bytes, and the limit that it
    exceeded."""

    child: int
    limits: Limits
    start: float
    processes: list[Process] = field(default_factory=list)
    peak: int | None = None
    exceeded: tuple[Cause, str] | None = None

    def until_the_end(self) -> tuple[int, resource.struct_rusage]:
        """Watch until the child has ended; its status and what it used. A child that exceeds a limit is ended."""
        searched = cost = 0.0
        while True:
            number, status, usage = os.wait4(self.child, os.WNOHANG)
            if number:
                return status, usage
            now = time.monotonic()
            if now - searched > SEARCH_S or not self.processes:
                self.processes, searched = process_tree.descendants(self.child) or self.processes, now
            self.exceeded = self._exceeded(now)
            if self.exceeded:
                return self._end()
            cost = time.monotonic() - now
            time.sleep(max(LOOK_S, 10 * cost))

    def _exceeded(self, now: float) -> tuple[Cause, str] | None:
        used = self._memory()
        self.peak = max(filter(None, (self.peak, used)), default=None)
        if used and self.limits.memory_mb is not None and used > self.limits.memory_mb * MB:
            return "memory", ""
        if self.limits.time_s is not None and now - self.start > self.limits.time_s:
            return "time", ""
        return None

    def _memory(self) -> int | None:
        """Memory of all processes; only where it matters, pages that they share are counted once, for that is slow."""
        bound = process_tree.own_memory(self.processes)
        if bound is None or len(self.processes) == 1 or bound <= (self.peak or 0):
            return bound
        return process_tree.shared_once(self.processes) or bound

    def _end(self) -> tuple[int, resource.struct_rusage]:
        """End the work: first by a signal at which Python writes where each thread stands."""
        os.kill(self.child, signal.SIGABRT)
        until = time.monotonic() + LAST_WORDS_S
        while time.monotonic() < until:
            number, status, usage = os.wait4(self.child, os.WNOHANG)
            if number:
                return status, usage
            time.sleep(LOOK_S / 10)
        os.kill(self.child, signal.SIGKILL)
        return os.wait4(self.child, 0)[1:]


def _work(work: Callable[[], None], writing: int, parent: int, log: IO[str]) -> NoReturn:
    """The child: it never returns, and leaves the kind of its end in the pipe."""
    code = 1
    try:
        _prepare(parent, log)
        try:
            work()
            last, code = "done", 0
        except SystemExit as leave:
            code = leave.code if isinstance(leave.code, int) else 1
            last = f"exit {code}"
        except MemoryError as error:
            traceback.print_exc()
            last = f"memory {error}"
        except BaseException as error:
            traceback.print_exc()
            last = f"exception {type(error).__name__}: {error}"
        sys.stdout.flush()
        sys.stderr.flush()
        os.write(writing, last.encode("utf-8", "replace")[:4000])  # less than a pipe holds: nobody reads yet
    finally:
        os._exit(code)


def _prepare(parent: int, log: IO[str]) -> None:
    """What the work's process is to the system: it ends with its parent, leaves no image of its memory on the disk, and
    is the first that is killed where the machine has no memory left."""
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_DFL)
    process_tree.end_with(parent)
    with suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text("1000", encoding="utf-8")
    with suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_CORE, (0, resource.getrlimit(resource.RLIMIT_CORE)[1]))
    faulthandler.disable()  # enabled already, it would leave the signals to a library that has taken them since
    faulthandler.enable(log)


def _oom_kills() -> int:
    """How many processes the system has killed for memory since it started; 0 where it does not say."""
    with suppress(OSError):
        for line in Path("/proc/vmstat").read_text(encoding="utf-8").splitlines():
            if line.startswith("oom_kill "):
                return int(line.split()[1])
    return 0
