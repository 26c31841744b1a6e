"""Reads the corners of an STL mesh, binary or text.

STL repeats a vertex for every face that it belongs to. The normal of each corner is the area vector of its face; intake
merges the corners at one position and adds their area vectors.
"""

import os
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from nightbay.core.errors import Rejected
from nightbay.readers import refusals, rows
from nightbay.readers.block import MOST, Block, normals_of, single_step

RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
HEAD = 84  # bytes before the first record: text, then the number of faces


def blocks(path: Path, name: str) -> Iterator[Block]:
    """Yield the blocks of all corners of an STL file, three for each face.

    Raises :class:`Rejected` for a file that is no STL mesh, is cut short or holds no faces.
    """
    size = os.path.getsize(path)
    with open(path, "rb") as file:
        head = file.read(512)
    promised = int(np.frombuffer(head[80:84], "<u4")[0]) if len(head) >= HEAD else 0
    if size == HEAD + promised * RECORD.itemsize and promised:
        yield from _binary(path, promised)
    elif head.lstrip()[:5].lower() == b"solid" and b"\0" not in head:
        yield from _text(path, name)
    elif size < HEAD:
        raise Rejected(
            f"{name} has {size} bytes and does not begin with 'solid', so it is not an STL mesh: export it again."
        )
    else:
        raise Rejected(
            f"{name}: its header promises {promised} faces, the file holds {(size - HEAD) // RECORD.itemsize}: it was "
            "cut short or is no STL mesh, copy or export it again."
        )


def _binary(path: Path, count: int) -> Iterator[Block]:
    records = np.memmap(path, RECORD, "r", HEAD, (count,))
    step = MOST // 3
    for start in range(0, count, step):
        corners = records["corners"][start : start + step].astype(np.float64)
        yield _block(corners, 3 * start + 1, single_step(corners.reshape(-1, 3)))


def _block(corners: np.ndarray, first: int, step: float = 0.0) -> Block:
    """Corners (m, 3, 3) as a block of 3 m points."""
    area = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return Block(corners.reshape(-1, 3), normals_of(np.repeat(area, 3, axis=0)), first=first, step=step)


def _text(path: Path, name: str) -> Iterator[Block]:
    step = MOST // 3 * 3
    lines: list[str] = []
    count, ended = 0, False
    with open(path, encoding="ascii", errors="replace") as file:
        for line in file:
            word = line.lstrip()
            if word.startswith("vertex"):
                lines.append(word[6:])
                if len(lines) == step:
                    yield _block(_corners(lines, name, count), count + 1)
                    count, lines = count + step, []
            elif word.startswith("endsolid"):
                ended = True
    if not ended or len(lines) % 3:
        raise Rejected(f"{name} ends in the middle (no 'endsolid'): it was cut short, copy or export it again.")
    if lines:
        yield _block(_corners(lines, name, count), count + 1)
    elif not count:
        raise Rejected(f"{name} holds no faces: export it again.")


def _corners(lines: list[str], name: str, count: int) -> np.ndarray:
    """Corners (m, 3, 3) of lines of numbers, which come after ``count`` vertices of the file."""
    try:
        return rows.numbers(lines, usecols=(0, 1, 2)).reshape(-1, 3, 3)
    except ValueError as error:
        raise Rejected(
            f"{name}: a vertex after number {count} is not a point ({refusals.cause(error)}): export it again."
        ) from error
