"""Holds that what a stage reads of a raw file is what was hashed when the night was planned."""

from contextlib import contextmanager

from nightbay.core.errors import Rejected
from nightbay.core.hashing import sha256


@contextmanager
def while_read(path, raw):
    """Check a file before and after the block that reads it.

    ``raw``: what the job sheet hands over of it, ``{"file", "sha256", "bytes"}``. The file is hashed once more before,
    and after only where its size, time of change or inode differ. Raises :class:`Rejected` for a file that changed,
    whatever the block itself says of it: half a copy passes for a damaged file.
    """
    before = _stamp(path, raw)
    _compare(path, raw)
    try:
        yield
    finally:
        if _stamp(path, raw) != before:
            _compare(path, raw)


def _stamp(path, raw):
    try:
        state = path.stat()
    except OSError as error:
        raise _unreadable(raw, error) from error
    return state.st_size, state.st_mtime_ns, state.st_ino


def _compare(path, raw):
    try:
        size, digest = path.stat().st_size, sha256(path)
    except OSError as error:
        raise _unreadable(raw, error) from error
    if digest != raw["sha256"]:
        raise Rejected(
            f"{raw['file']} changed after the night was planned ({raw['bytes']} bytes then, {size} now): wait until it "
            "is copied completely, then run the same command again."
        )


def _unreadable(raw, error):
    return Rejected(
        f"{raw['file']} can't be read any more ({error.strerror}): put it back, then run the same command again."
    )
