"""Reads a raw export in a process of its own: what damaged or hostile files do to a library ends only that process."""

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from nightbay.core import child_process
from nightbay.core.child_process import Bounds, Died
from nightbay.core.errors import Rejected

# Memory, bytes: what Python and the libraries take, with room for the blocks that the readers work in; and times the
# file's size, for formats whose points can only be told when all of the file was read.
MEMORY, MEMORY_A_BYTE = 300_000_000, 4
# Processor time, s: meshes as text take 0.15 s a MB, more than any other format; thirteen times that allows for slow
# machines.
CPU_S, CPU_S_A_MB = 60, 2
# Size of a column in units of the file's: LAZ needs some two bytes a point, which becomes 24 bytes of coordinates.
OUTPUT, OUTPUT_A_BYTE = 100_000_000, 50


def bounds(size: int) -> Bounds:
    """What the reading of a file of ``size`` bytes may use."""
    return Bounds(
        memory=MEMORY + MEMORY_A_BYTE * size,
        output=OUTPUT + OUTPUT_A_BYTE * size,
        cpu_s=CPU_S + CPU_S_A_MB * size // 1_000_000,
    )


def call(function: str, path: Path, name: str, arguments: Mapping[str, Any]) -> Any:
    """What ``function``, ``"package.module:name"``, returns for the keyword ``arguments``, all plain data.

    ``path``: the raw export that it reads, ``name``: its name in messages. Raises :class:`Rejected` as the function
    does, and where the function came to no result.
    """
    allowed = bounds(os.path.getsize(path))
    try:
        return child_process.call(function, arguments, allowed)
    except Died as died:
        raise Rejected(_sentence(name, died, allowed)) from died


def _sentence(name: str, died: Died, allowed: Bounds) -> str:
    match died.cause:
        case "memory":
            return (
                f"{name} needs more than {allowed.memory // 1_000_000} MB of memory to be read, more than a file of "
                "its size may: it is damaged, copy or export it again."
            )
        case "time":
            return (
                f"{name} could not be read in {allowed.cpu_s} s, long enough for a file of its size: it is damaged, "
                "copy or export it again."
            )
        case "output":
            return (
                f"{name} unpacks to more than {allowed.output // 1_000_000} MB, more than a file of its size may: it "
                "is damaged, copy or export it again."
            )
        case "signal":
            return (
                f"{name} could not be read: the reader was ended by {died.detail}, as a rule because the file is "
                "damaged: copy or export it again, in another format if that does not help."
            )
    return (
        f"{name} could not be read because of a fault in Nightbay ({died.detail}): export it again, in another format "
        "if that does not help, and report it with the log of the stage."
    )
