"""What several nights on one machine take of it: each says so in a folder that all users may write to.

A registration is a file that its night keeps locked (flock(2)), so the share of a night that died is free again. The
folder itself is locked while a night looks at the others and registers, for a moment.
"""

import fcntl
import json
import os
import stat
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from pathlib import Path

from nightbay.core.errors import Rejected
from nightbay.night import control_groups
from nightbay.night.control_groups import Limits

VARIABLE = "NIGHTBAY_SHARES"  # names the folder, for an installation that wants another one
BASES = ("/run/lock", "/var/lock")  # of the Filesystem Hierarchy Standard; not every system lets all users write there
PREFIX, ENDING = "night-", ".json"
LARGEST = 10_000  # bytes of a registration that is read
# Less than a quarter of the memory is not worth starting with: a large stage would take more than the share anyway.
LEAST_PART = 4
MOMENT_S = 10.0  # that another night may take to register, which takes it milliseconds
POLL_S = 0.1
KIB, GB = 1024, 10**9


@dataclass(frozen=True)
class Share:
    """Processors and memory."""

    cores: int
    memory_gb: int


@dataclass(frozen=True)
class Registration:
    """A night with what it takes."""

    user: str
    pid: int
    day: str
    cores: int
    memory_gb: int

    def __str__(self) -> str:
        return f"{self.user}'s night of {self.day} (process {self.pid}): {_amount(self.cores, self.memory_gb)}"


def machine(limits: Limits | None = None) -> Share:
    """What this machine has for nights: the processors that this process may use, and nine tenths of the memory.
    ``limits``: of its control groups, read where they are not given."""
    limits = limits or control_groups.limits()
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    memory = 8 * GB
    with suppress(OSError, ValueError, IndexError, StopIteration):
        lines = Path("/proc/meminfo").read_text(encoding="utf-8").splitlines()
        memory = int(next(line.split()[1] for line in lines if line.startswith("MemTotal:"))) * KIB
    memory = min(memory, limits.memory or memory)
    return Share(max(1, int(min(cores, limits.cores or cores))), max(1, memory * 9 // 10 // GB))


def folder() -> Path:
    """The folder of registrations, made where it is missing: every user may write to it and remove only his own.

    Raises :class:`Rejected` where it can't be used.
    """
    base = next((base for base in BASES if os.access(base, os.W_OK | os.X_OK)), "/tmp")
    place = Path(os.environ.get(VARIABLE) or f"{base}/nightbay")
    with suppress(FileExistsError):
        try:
            place.mkdir()
            place.chmod(0o1777)
        except FileExistsError:
            raise
        except OSError as error:
            raise Rejected(_unusable(place, error.strerror or "")) from error
    if place.is_symlink() or not place.is_dir() or not os.access(place, os.R_OK | os.W_OK | os.X_OK):
        raise Rejected(_unusable(place, "it is no folder that this user may write to"))
    return place


def _unusable(place: Path, why: str) -> str:
    return (
        f"What other nights take of this machine is not known, for {place} can't be used ({why}): let all users write "
        f"to it (chmod 1777), or name another folder in {VARIABLE}."
    )


def take(
    place: Path,
    whole: Share,
    own: Registration,
    wish: tuple[int | None, int | None],
    pause: Callable[[float], None] = time.sleep,
) -> tuple[Share | None, int, list[Registration]]:
    """The share of a night, the open descriptor that keeps it, and the other nights.

    ``own``: who takes it; its amounts do not count. ``wish``: processors and memory in GB that the user asked for; he
    gets them. Of what he did not ask for the night takes all that is free. The share is None, and nothing is
    registered, where less is free than one processor and a part of the memory. ``pause(seconds)`` is called while
    another night registers. Raises :class:`OSError`.
    """
    with _alone(place, pause):
        others = list(_others(place))
        cores = wish[0] or whole.cores - sum(other.cores for other in others)
        memory_gb = wish[1] or whole.memory_gb - sum(other.memory_gb for other in others)
        if cores < 1 or memory_gb < (1 if wish[1] else max(1, whole.memory_gb // LEAST_PART)):
            return None, -1, others
        registered = Registration(own.user, own.pid, own.day, cores, memory_gb)
        return Share(cores, memory_gb), _register(place, registered), others


@contextmanager
def _alone(place: Path, pause: Callable[[float], None]) -> Iterator[None]:
    """Lock the folder. Raises :class:`TimeoutError` where another process does not let it go."""
    descriptor = os.open(place, os.O_RDONLY | os.O_DIRECTORY)
    try:
        for _ in range(round(MOMENT_S / POLL_S)):
            with suppress(BlockingIOError):
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            pause(POLL_S)
        else:
            raise TimeoutError(f"{place} has been locked by another process for {MOMENT_S:.0f} s.")
        yield
    finally:
        os.close(descriptor)


def _register(place: Path, own: Registration) -> int:
    descriptor, name = tempfile.mkstemp(ENDING, PREFIX, place)
    fcntl.flock(descriptor, fcntl.LOCK_EX)
    os.fchmod(descriptor, 0o644)  # for others to read, whatever the umask
    try:
        os.write(descriptor, json.dumps(asdict(own)).encode())
    except OSError:
        os.close(descriptor)
        os.unlink(name)
        raise
    return descriptor


def _others(place: Path) -> Iterator[Registration]:
    """The nights that live; files of those that died are removed where that is allowed."""
    for path in sorted(place.glob(f"{PREFIX}*{ENDING}")):
        try:
            # Anybody may put a link or a pipe there.
            descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
        except OSError:
            continue
        try:
            if stat.S_ISREG(os.fstat(descriptor).st_mode):
                fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
                with suppress(OSError):
                    path.unlink()
        except BlockingIOError:
            with suppress(ValueError, TypeError):
                yield _registration(json.loads(os.read(descriptor, LARGEST)))
        finally:
            os.close(descriptor)


def _registration(known: dict[str, object]) -> Registration:
    """Plain data as a registration. Raises ValueError and TypeError where it is none."""
    found = Registration(**known)  # type: ignore[arg-type]
    if not all(isinstance(amount, int) and amount >= 0 for amount in (found.cores, found.memory_gb)):
        raise ValueError("an amount is no whole number")
    return found


def _amount(cores: int, memory_gb: int) -> str:
    return f"{cores} {'processor' if cores == 1 else 'processors'} and {memory_gb} GB"


def sentence(whole: Share, share: Share | None, others: Sequence[Registration]) -> str:
    """What a night takes or waits for, in the face of the others; empty where it is alone and takes no more than there
    is."""
    if not others and share and share.cores <= whole.cores and share.memory_gb <= whole.memory_gb:
        return ""
    has = f"This machine has {_amount(whole.cores, whole.memory_gb)} for nights."
    if others:
        has += f" Others use of it: {'; '.join(map(str, others))}."
    if share is None:
        return f"{has} This night waits until enough is free; --cores and --memory would start it at once."
    text = f"{has} This night takes {_amount(share.cores, share.memory_gb)}"
    cores, memory_gb = sum(other.cores for other in others), sum(other.memory_gb for other in others)
    if share.cores + cores > whole.cores or share.memory_gb + memory_gb > whole.memory_gb:
        return f"{text}, as asked for, which is more than is free."
    return f"{text}."
