"""Whether a raw file has come to rest, or is still being copied."""

import os
import time
from dataclasses import dataclass
from pathlib import Path

from nightbay.core.errors import Rejected

# A program that copies writes at least this often, s; between two writes of a slow network drive may lie seconds.
AT_REST_S = 30.0


@dataclass(frozen=True)
class FileState:
    """Size and time of change of a file, and when it was looked at, s."""

    size: int
    changed_ns: int
    at_s: float


def of(path: Path) -> FileState | None:
    """The state of a file, None where there is none."""
    try:
        state = os.stat(path)
    except OSError:
        return None
    return FileState(state.st_size, state.st_mtime_ns, time.time())


def growing(path: Path, file: str, before: FileState | None) -> str | None:
    """A sentence where a file changed since ``before``; None where it did not, or is not there."""
    now = of(path)
    if now is None or before is None or (now.size, now.changed_ns) == (before.size, before.changed_ns):
        return None
    return f"{file} is still being copied ({now.size / 1e6:.1f} MB so far): check again when it is complete."


def cut_short(path: Path, file: str, before: FileState | None, rejection: Rejected) -> str | None:
    """As :func:`growing`; also for a file that was refused and changed a moment before: its copy may go on."""
    grows = growing(path, file, before)
    if grows or before is None or before.at_s - before.changed_ns / 1e9 > AT_REST_S:
        return grows
    return (
        f"{file} changed {max(0.0, before.at_s - before.changed_ns / 1e9):.0f} s ago and is not whole yet, so it may "
        f"still be being copied: check again in a minute. If it stays so: {rejection}"
    )
