"""A process with its descendants: which they are, what memory they hold of their own, and how to end them.

Read from /proc, as of Linux 4.14; elsewhere the memory is unknown and the descendants are not found.
"""

import ctypes
import os
import signal
from collections.abc import Collection
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

PROC = Path("/proc")
KIB = 1024  # what /proc calls kB
PR_SET_PDEATHSIG = 1  # of prctl(2)


class Process(NamedTuple):
    """A process, told from a later one of the same number by the time of its start, in ticks of the system."""

    number: int
    started: int


def descendants(root: int) -> list[Process]:
    """The process ``root`` and all that descend from it, ``root`` first; empty where it has ended or can't be seen."""
    known = {number: state for number in _numbers() if (state := _state(number))}
    if root not in known:
        return []
    children: dict[int, list[int]] = {}
    for number, (parent, _) in known.items():
        children.setdefault(parent, []).append(number)
    found = [root]
    for number in found:  # grows while it is walked
        found += children.get(number, [])
    return [Process(number, known[number][1]) for number in found]


def children(root: int) -> list[Process]:
    """The processes whose parent is ``root``."""
    return [
        Process(number, state[1]) for number in _numbers() if (state := _state(number)) is not None and state[0] == root
    ]


def own_memory(processes: Collection[Process]) -> int | None:
    """Memory that the processes hold of their own, resident or swapped, bytes: pages of files do not count, since the
    system takes them back when it needs to. Pages that several share count once for each, so this is an upper bound."""
    found = [_sum(process.number, "status", ("RssAnon:", "RssShmem:", "VmSwap:")) for process in processes]
    return sum(value for value in found if value is not None) if any(value is not None for value in found) else None


def shared_once(processes: Collection[Process]) -> int | None:
    """As :func:`own_memory`, with a share of each page that several processes have; slower: it walks their pages."""
    keys = ("Pss_Anon:", "Pss_Shmem:", "SwapPss:")
    found = [_sum(process.number, "smaps_rollup", keys) for process in processes]
    return sum(value for value in found if value is not None) if any(value is not None for value in found) else None


def end(processes: Collection[Process]) -> None:
    """Kill those of the processes that still run."""
    for process in processes:
        state = _state(process.number)
        if state and state[1] == process.started:
            with suppress(ProcessLookupError, PermissionError):
                os.kill(process.number, signal.SIGKILL)


def end_from(root: int) -> None:
    """Kill the process ``root`` and all that descend from it but the caller; stopped first, it starts no more."""
    with suppress(ProcessLookupError, PermissionError):
        os.kill(root, signal.SIGSTOP)
        end([process for process in descendants(root)[1:] if process.number != os.getpid()])
        os.kill(root, signal.SIGKILL)


def end_with(parent: int) -> None:
    """See to it that the calling process is killed when its ``parent`` ends, and end where it has ended already."""
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
    if os.getppid() != parent:
        os._exit(1)


def _numbers() -> list[int]:
    try:
        return [int(name) for name in os.listdir(PROC) if name.isdecimal()]
    except OSError:
        return []


def _state(number: int) -> tuple[int, int] | None:
    """Parent and start of a process; None where it has ended."""
    try:
        text = (PROC / str(number) / "stat").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return None
    fields = text.rpartition(")")[2].split()  # a name may hold spaces and brackets
    return (int(fields[1]), int(fields[19])) if len(fields) > 19 and fields[0] != "Z" else None


def _sum(number: int, file: str, keys: tuple[str, ...]) -> int | None:
    """The sum of lines such as ``RssAnon:  812 kB`` of a file of a process, bytes."""
    try:
        lines = (PROC / str(number) / file).read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return None
    found = [int(line.split()[1]) * KIB for line in lines if line.startswith(keys)]
    return sum(found) if found else None
