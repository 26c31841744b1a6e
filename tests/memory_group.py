"""A control group with a limit of memory, below the caller's own, for processes of a test (cgroups(7))."""

import contextlib
import os
import time
from pathlib import Path

MOUNT, OWN = Path("/sys/fs/cgroup"), Path("/proc/self/cgroup")


@contextlib.contextmanager
def of(megabytes, name="nightbay-test"):
    """Yields a function without arguments that takes the calling process into a group with so much memory; the group
    goes at the end. Raises OSError where this user can't make one."""
    parent, limit = _parent()
    group = parent / f"{name}-{os.getpid()}"
    group.mkdir()
    try:
        (group / limit).write_text(str(megabytes * 1_000_000))
        yield lambda: (group / "cgroup.procs").write_text(str(os.getpid()))
    finally:
        _remove(group)


def _parent():
    """The folder below which a group with a limit of memory can be made, and the name of the limit."""
    path = "/"
    for line in OWN.read_text(encoding="utf-8").splitlines():
        _, controllers, path = line.split(":", 2)
        if "memory" in controllers.split(","):
            return MOUNT / controllers / path.lstrip("/"), "memory.limit_in_bytes"
    # Version 2 gives no limits to the groups below one that has processes, unless it is the top.
    own = MOUNT / path.lstrip("/")
    if "memory" not in (own / "cgroup.subtree_control").read_text(encoding="utf-8").split():
        raise OSError(f"{own} gives no limit of memory to groups below it")
    return own, "memory.max"


def _remove(group):
    """A group can be removed a moment after its last process has ended."""
    for _ in range(100):
        with contextlib.suppress(OSError):
            return group.rmdir()
        time.sleep(0.1)
    raise RuntimeError(f"{group} still has processes: {(group / 'cgroup.procs').read_text().split()}")
