"""Ensures that a stage reads the same content of a raw file that was hashed when the night was planned."""

import errno
import stat
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from nightbay.core.errors import Rejected
from nightbay.core.hashing import sha256


@contextmanager
def while_read(path: Path, raw: Mapping[str, Any]) -> Iterator[None]:
    """Check a file before and after the block that reads it.

    ``raw``: the job sheet's entry of the file, with ``file`` (its name for sentences), ``sha256`` and ``bytes``. The
    file is hashed before the block, and again after it if its size, modification time or inode has changed.
    Raises :class:`Rejected` for a file that changed or is gone. That refusal replaces whatever the block raises, since
    a file that is still being copied looks like a damaged file.
    """
    before = _stamp(path, raw)
    _compare(path, raw)
    try:
        yield
    finally:
        if _stamp(path, raw) != before:
            _compare(path, raw)


def _stamp(path: Path, raw: Mapping[str, Any]) -> tuple[int, int, int]:
    """Size, modification time and inode."""
    try:
        state = path.stat()
        if not stat.S_ISREG(state.st_mode):
            raise OSError(errno.EINVAL, "it is not a file")
    except OSError as error:
        raise _unreadable(raw, error) from error
    return state.st_size, state.st_mtime_ns, state.st_ino


def _compare(path: Path, raw: Mapping[str, Any]) -> None:
    try:
        size, digest = path.stat().st_size, sha256(path)
    except OSError as error:
        raise _unreadable(raw, error) from error
    if digest != raw["sha256"]:
        raise Rejected(
            f"{raw['file']} changed after the night was planned ({raw['bytes']} bytes then, {size} now): wait until it "
            "is copied completely, then run the same command again."
        )


def _unreadable(raw: Mapping[str, Any], error: OSError) -> Rejected:
    return Rejected(
        f"{raw['file']} can't be read any more ({error.strerror}): put it back, then run the same command again."
    )
