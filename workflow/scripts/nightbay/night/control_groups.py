"""What the control groups of this process leave to it of the machine: a container, a service or a batch system may set
a limit that the machine itself does not show.

Read from /proc/self/cgroup and the mounted hierarchies, of version 1 and 2 (cgroups(7)). A limit holds for all groups
below its own, so each level up to the top counts. Inside a container the names of groups may be those of the host, of
which nothing is mounted but the top, which then has the container's limits.
"""

from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path, PurePosixPath
from typing import NamedTuple

MOUNT, OWN = Path("/sys/fs/cgroup"), Path("/proc/self/cgroup")


class Limits(NamedTuple):
    """Memory in bytes and time of processors in processors; None where no group limits it."""

    memory: int | None
    cores: float | None


def limits(mount: Path = MOUNT, own: Path = OWN) -> Limits:
    """The lowest limits of the groups of a process. ``mount``: where the hierarchies are; ``own``: the list of the
    process's groups."""
    memory: list[int] = []
    cores: list[float] = []
    for folder in _folders(mount, own):
        for name in ("memory.max", "memory.limit_in_bytes"):
            memory += [int(value) for value in _numbers(folder / name)[:1]]
        shares = _numbers(folder / "cpu.max") or [
            *_numbers(folder / "cpu.cfs_quota_us"),
            *_numbers(folder / "cpu.cfs_period_us"),
        ]
        if len(shares) == 2 and min(shares) > 0:
            cores.append(shares[0] / shares[1])
    return Limits(min(memory, default=None), min(cores, default=None))


def _folders(mount: Path, own: Path) -> Iterator[Path]:
    """The folders of the process's groups with those above them, of every hierarchy."""
    lines: list[str] = []
    with suppress(OSError):
        lines = own.read_text(encoding="utf-8").splitlines()
    for line in lines:
        _, controllers, group = line.split(":", 2)
        inside = PurePosixPath(group.lstrip("/"))
        # Version 2 has no names; where both are mounted, it lies in a folder of its own.
        tops = [mount / controllers] if controllers else [mount, mount / "unified"]
        for top in tops:
            yield from (top / level for level in (inside, *inside.parents))


def _numbers(path: Path) -> list[int]:
    """The whole numbers in a file; none where it is missing or says that there is no limit."""
    with suppress(OSError, ValueError):
        return [int(word) for word in path.read_text(encoding="utf-8").split()]
    return []
