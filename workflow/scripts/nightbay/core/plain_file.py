"""Reads small files that people or other programs leave in a day; folders, pipes and devices are refused.

A link can make any file of the machine look like a part of a job, so it has to be known where links lead.
"""

import errno
import os
import stat
from pathlib import Path


def leads_out(path: Path | str, folder: Path | str) -> bool:
    """Whether a path ends outside a folder once all links are followed; links within the folder are sound."""
    root = os.path.realpath(folder)
    return os.path.commonpath([os.path.realpath(path), root]) != root


def read(path: Path | str, limit_bytes: int) -> bytes:
    """The content of a regular file, at most ``limit_bytes`` + 1 bytes: a longer file is recognised by the extra byte.

    Raises :class:`OSError` for a folder, and for a pipe or a device, which could block or never end.
    """
    mode = os.stat(path).st_mode
    if stat.S_ISDIR(mode):
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
    if not stat.S_ISREG(mode):
        raise OSError(errno.EINVAL, "It is a pipe, a device or a socket, not a file", str(path))
    with open(path, "rb") as file:
        return file.read(limit_bytes + 1)
