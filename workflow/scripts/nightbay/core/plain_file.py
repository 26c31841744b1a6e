"""Reads small files that people or other programs leave in a day, whatever really stands under their names."""

import errno
import os
import stat


def read(path, most_bytes):
    """Content of a regular file, at most ``most_bytes`` + 1 bytes of it, so that a longer one shows.

    Raises :class:`OSError` for a folder, and for a pipe or a device, whose reading could wait or go on for ever.
    """
    mode = os.stat(path).st_mode
    if stat.S_ISDIR(mode):
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
    if not stat.S_ISREG(mode):
        raise OSError(errno.EINVAL, "It is a pipe, a device or a socket and no file", str(path))
    with open(path, "rb") as file:
        return file.read(most_bytes + 1)
