"""Hashes of files."""

import hashlib
from pathlib import Path


def sha256(path: Path | str) -> str:
    """SHA-256 of a file's content, 64 hexadecimal digits. Raises :class:`OSError` for a file that can't be read."""
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
