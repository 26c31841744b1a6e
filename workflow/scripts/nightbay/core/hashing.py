"""Hashes of files."""

import hashlib


def sha256(path):
    """Hash of a file's content, hexadecimal."""
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
