"""Runs the night so that nothing of it outlives it, whatever ends it.

Two processes see to that. The front has the number that the user knows; the keeper, in a session of its own, starts
the night. Each collects the processes below it whose parents die (PR_SET_CHILD_SUBREAPER of prctl(2)). Where the front
is ended by a signal, or killed, the keeper ends the night; where the keeper is killed, the front does. A process of the
night whose parent was killed is ended a second later. Both hold a pipe open, of which the night has the other end in
``NIGHTBAY_GUARD``: where both are killed it ends, and whoever waits for that in the night ends the night.
"""

import ctypes
import os
import signal
import subprocess
import sys
import time
import traceback
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import Literal

from nightbay.pipeline import process_tree

Outcome = Literal["complete", "failed", "not started", "ended"]

PR_SET_CHILD_SUBREAPER = 36  # of prctl(2)
LOOK_S = 1.0  # between two looks for orphans
END_S = 9.5  # from a signal to the end of everything
KILL_S = 3.0  # of these that killed processes may take to end
BOARD_S = 7.0  # of these until the work that follows the end of a night is cut off
NOTIFY_S = 60.0  # that a notification may take where nobody waits
OF_BODY: dict[int, Outcome] = {0: "complete", 2: "not started"}


@dataclass(frozen=True)
class Night:
    """``command``: what the night is, with ``NIGHTBAY_PHASE`` as "body", and where it was ended what follows that, with
    "ending" and the reason in ``NIGHTBAY_ENDED_BY``; ``environment``: the rest of its environment; ``kept``:
    descriptors that it inherits; ``finish(outcome, seconds)``: what comes last, within so many seconds."""

    command: Sequence[str]
    environment: Mapping[str, str]
    kept: Sequence[int] = ()
    finish: Callable[[Outcome, float], None] = lambda outcome, seconds: None


class Stopped(Exception):
    """A signal came before the night began; ``number``: which."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


@dataclass
class Signals:
    """Signals are waited for, never handled, so that none comes at a bad moment."""

    ending: set[int] = field(default_factory=lambda: {signal.SIGTERM, signal.SIGINT, signal.SIGHUP})
    before: set[int] = field(default_factory=set)

    def block(self) -> None:
        """From now on signals wait until they are asked for."""
        if signal.getsignal(signal.SIGHUP) == signal.SIG_IGN:  # nohup
            self.ending.discard(signal.SIGHUP)
        self.before = set(signal.pthread_sigmask(signal.SIG_BLOCK, self.ending | {signal.SIGCHLD}))

    def wait(self, seconds: float) -> int | None:
        """The next signal that ends a night; None where no such came, or a child ended, within so many seconds."""
        found = signal.sigtimedwait(self.ending | {signal.SIGCHLD}, max(0.0, seconds))
        return found.si_signo if found and found.si_signo in self.ending else None

    def pause(self, seconds: float) -> None:
        """Wait so many seconds. Raises :class:`Stopped` where a signal comes that ends a night."""
        until = time.monotonic() + seconds
        while (left := until - time.monotonic()) > 0:
            number = self.wait(left)
            if number is not None:
                raise Stopped(number)

    def release(self) -> None:
        """As it was before: for a child that is to become another program."""
        signal.pthread_sigmask(signal.SIG_SETMASK, self.before)


def run(night: Night, signals: Signals) -> int:
    """Run a night to its end; its exit code, 128 and the number of the signal where one ended it, 1 where a process of
    it was killed. ``signals`` are blocked already."""
    _adopt_orphans()
    front = os.getpid()
    guard, _ = os.pipe()  # the end for writing stays open in both processes, and in no program that they start
    environment = {**night.environment, "NIGHTBAY_GUARD": str(guard)}
    night = replace(night, environment=environment, kept=(*night.kept, guard))
    _flush()
    keeper = os.fork()
    if keeper == 0:
        code = 1
        try:
            os.setsid()
            _adopt_orphans()
            code = _keep(night, signals, front)
        except BaseException:
            traceback.print_exc()
        finally:
            _flush()
            os._exit(code)
    return _watch_over(keeper, night, signals)


def _watch_over(keeper: int, night: Night, signals: Signals) -> int:
    """The front: hands signals to the keeper and takes its place where it is killed."""
    until = float("inf")
    while True:
        code = _reap().get(keeper)
        if code is not None and code >= 0:
            return code
        if code is not None:
            _end_all()
            return _conclude(night, signals, "the kill of one of its processes", until)
        if time.monotonic() > until:
            _end_all()
            return 1
        number = signals.wait(LOOK_S)
        if number is not None:
            until = min(until, time.monotonic() + END_S)
            os.kill(keeper, number)


def _keep(night: Night, signals: Signals, front: int) -> int:
    """The keeper: starts the night, and ends all of it when the night ends or is to end."""
    body = _start(night, signals, {"NIGHTBAY_PHASE": "body"})
    while True:
        code = _reap().get(body)
        if code is not None:
            _end_all()
            if code < 0:
                return _conclude(night, signals, "the kill of one of its processes")
            night.finish(OF_BODY.get(code, "failed"), NOTIFY_S)
            return code
        number = signals.wait(LOOK_S)
        if number is not None:
            until = time.monotonic() + END_S
            _end_all()
            _conclude(night, signals, f"signal {signal.Signals(number).name}", until)
            return 128 + number
        if os.getppid() != front:
            _end_all()
            return _conclude(night, signals, "the kill of its process")
        process_tree.end([child for child in process_tree.children(os.getpid()) if child.number != body])


def _conclude(night: Night, signals: Signals, reason: str, until: float = float("inf")) -> int:
    """What follows where a night was ended, at the latest until a time on the monotonic clock."""
    try:
        work = _start(night, signals, {"NIGHTBAY_PHASE": "ending", "NIGHTBAY_ENDED_BY": reason})
        while work not in _reap():
            if time.monotonic() > until - (END_S - BOARD_S):
                announce("The day board could not be made in time; the next start of the night makes it.")
                break
            number = signals.wait(LOOK_S)
            if number is not None:
                until = min(until, time.monotonic() + END_S)
    except OSError as error:
        announce(f"The day board could not be made ({error}); the next start of the night makes it.")
    _end_all()
    night.finish("ended", min(NOTIFY_S, max(0.5, until - time.monotonic() - 0.5)))
    return 1


def _start(night: Night, signals: Signals, phase: Mapping[str, str]) -> int:
    """Start a phase of the night as a child, which dies with this process; its number."""
    _flush()
    parent = os.getpid()

    def prepare() -> None:
        signals.release()
        process_tree.end_with(parent)

    process = subprocess.Popen(
        night.command,
        stdin=subprocess.DEVNULL,  # a session without a terminal can't read from one
        env={**night.environment, **phase},
        pass_fds=night.kept,
        preexec_fn=prepare,
    )
    process.returncode = 0  # it is waited for here, by its number
    return process.pid


def _reap() -> dict[int, int]:
    """Children that have ended since the last call, adopted ones too, each with its exit code or minus its signal."""
    ended = {}
    with suppress(ChildProcessError):
        while True:
            number, status = os.waitpid(-1, os.WNOHANG)
            if not number:
                break
            ended[number] = os.waitstatus_to_exitcode(status)
    return ended


def _end_all() -> None:
    """Kill every process below this one and wait until none is left.

    Parents go first, so that Snakemake does not call stages failed that were ended. What is started meanwhile comes to
    this process when its parent dies. A process that waits for a disk ends when the disk answers, not before; until
    then it keeps the lock of the day.
    """
    until = time.monotonic() + KILL_S
    with suppress(ChildProcessError):
        while time.monotonic() < until:
            process_tree.end(process_tree.descendants(os.getpid())[1:])
            while os.waitpid(-1, os.WNOHANG)[0]:
                pass
            time.sleep(0.01)
        left = ", ".join(str(process.number) for process in process_tree.descendants(os.getpid())[1:])
        announce(f"Process {left} waits for a disk and can't be ended yet: see that every disk of the night answers.")


def _adopt_orphans() -> None:
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).prctl(PR_SET_CHILD_SUBREAPER, 1, 0, 0, 0)


def announce(sentence: str) -> None:
    """Print a sentence on the terminal, which may be gone."""
    with suppress(OSError, ValueError):
        print(sentence, file=sys.stderr, flush=True)


def _flush() -> None:
    for stream in (sys.stdout, sys.stderr):
        with suppress(OSError, ValueError):
            stream.flush()
