"""One night a day folder: a lock of the system, and a record of who holds it.

Snakemake's own lock does not hold against a second run. A lock of flock(2) is free as soon as no process has it open.
"""

import fcntl
import json
import os
import pwd
import socket
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path

from nightbay.core.errors import Rejected

FILE = ".nightbay/night.lock"  # of the day
ENDING_S = 30.0  # that a night whose own process has died may take to end the rest and to make the board
POLL_S = 0.2


@dataclass(frozen=True)
class Holder:
    """Who holds the lock: user and process on which host, since when (ISO 8601), and the log of that night, empty where
    space of the day is freed."""

    user: str
    pid: int
    host: str
    since: str
    log: str


def user() -> str:
    """Name of the user, or his number where the system has no name for it."""
    try:
        return pwd.getpwuid(os.getuid()).pw_name
    except KeyError:
        return f"user {os.getuid()}"


def this_process(log: Path | None, since: str) -> Holder:
    """This process as a holder; without a ``log`` where it is no night."""
    return Holder(user(), os.getpid(), socket.gethostname(), since, str(log or ""))


def take(day: Path, holder: Holder, ending_s: float = ENDING_S, pause: Callable[[float], None] = time.sleep) -> int:
    """Take the lock of a day and note the holder; the open descriptor, which keeps the lock while a process has it.

    A night whose process has died may still be ending the rest of itself: that is waited for, ``ending_s`` seconds,
    with ``pause(seconds)`` between two looks.
    Raises :class:`Rejected` where another night holds the lock or the file can't be used.
    """
    path = day / FILE
    try:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o666)
    except OSError as error:
        raise Rejected(
            f"{path} can't be written ({error.strerror}): one night at a time is made sure of by this file, so correct "
            "its permissions or free space on its disk."
        ) from error
    until = time.monotonic() + ending_s
    while not _locked(descriptor):
        other = _read(descriptor)
        if time.monotonic() > until or not (other and _died(other)):
            os.close(descriptor)
            raise Rejected(_sentence(day, other))
        pause(POLL_S)
    with suppress(OSError):  # on a full disk the lock holds all the same
        os.ftruncate(descriptor, 0)
        os.pwrite(descriptor, json.dumps(asdict(holder)).encode(), 0)
    return descriptor


def _locked(descriptor: int) -> bool:
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _read(descriptor: int) -> Holder | None:
    try:
        return Holder(**json.loads(os.pread(descriptor, 10_000, 0)))
    except (OSError, ValueError, TypeError):
        return None


def _died(other: Holder) -> bool:
    """Whether the holder's own process has ended; of another host nothing is known."""
    if other.host != socket.gethostname():
        return False
    try:
        os.kill(other.pid, 0)
    except (ProcessLookupError, OverflowError, TypeError):
        return True
    except PermissionError:
        return False
    return False


def _sentence(day: Path, other: Holder | None) -> str:
    if other is None:
        return f"Another night run is still working on {day}: wait for it, or end it first."
    if not other.log:
        return f"Space of {day} is being freed, by {other.user} since {other.since}: start again when that has ended."
    return (
        f"Another night run is still working on {day}: {other.user} started it at {other.since} as process {other.pid} "
        f"on {other.host}. Wait for it (tail -f {other.log} shows what it does), or end it first (kill {other.pid})."
    )
