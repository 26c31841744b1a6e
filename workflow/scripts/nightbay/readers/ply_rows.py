"""Rows of PLY elements with lists, whose rows differ in length: found block by block, whatever their number."""

import itertools
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numba import njit

from nightbay.core import ply_header
from nightbay.core.errors import Rejected
from nightbay.core.ply_header import Element, Header
from nightbay.readers import mesh, refusals

ROWS = 200_000  # rows a block


def values(path: Path, name: str, header: Header, element: Element) -> Iterator[np.ndarray]:
    """Yield structured records of the single values of an element in a binary file; ``name``: its name in messages.

    Raises :class:`Rejected` for a file that ends before the last row, and for lists that no face has.
    """
    singles = [(at, prop) for at, prop in enumerate(element.properties) if prop.count_kind is None]
    for data, starts, _ in _rows(path, name, header, element):
        records = np.empty(len(starts), [(prop.name, header.order + prop.kind) for _, prop in singles])
        for at, prop in singles:
            records[prop.name] = _items(data, starts[:, at], 1, records.dtype[prop.name])[:, 0]
        yield records


def triangles(path: Path, name: str, header: Header, element: Element) -> Iterator[np.ndarray]:
    """Yield triangles (m, 3) int64 of the faces, the first list of each row, in a file of any format.

    Raises :class:`Rejected` as :func:`values` does, and for rows of an ascii file that are not whole numbers.
    """
    at = next(at for at, prop in enumerate(element.properties) if prop.count_kind is not None)
    if header.order == "ascii":
        yield from _ascii_triangles(path, name, header, element, at)
        return
    dtype = np.dtype(header.order + element.properties[at].kind)
    for data, starts, lengths in _rows(path, name, header, element):
        for length in np.unique(lengths[:, at]):
            rows = lengths[:, at] == length
            if length >= 3:
                yield mesh.fan(_items(data, starts[rows, at], int(length), dtype).astype(np.int64))


def _rows(
    path: Path, name: str, header: Header, wanted: Element
) -> Iterator[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Yield the file's bytes, where the items of each property of a block of rows begin in them, (rows, properties),
    and the lengths of their lists."""
    data = np.memmap(path, np.uint8, "r")
    at = header.offset
    for element in [*header.before(wanted.name), wanted]:
        kinds = [np.dtype(prop.kind).itemsize for prop in element.properties]
        counts = [np.dtype(prop.count_kind or "V0") for prop in element.properties]
        signed = np.array([count.kind == "i" for count in counts])
        for first in range(0, element.count, ROWS):
            starts, lengths, at = _starts(
                data,
                at,
                min(ROWS, element.count - first),
                np.array(kinds),
                np.array([count.itemsize for count in counts]),
                signed,
                header.order == "<",
            )
            if at < 0:
                raise refusals.too_short(name, element.count, first - at - 1, f"rows of '{element.name}'")
            if lengths.max(initial=0) > mesh.MOST_CORNERS:
                row = int(np.argmax(lengths.max(axis=1)))
                raise _too_long(name, first + row + 1, int(lengths[row].max()))
            if element is wanted:
                yield data, starts, lengths


@njit(cache=True)
def _starts(
    data: np.ndarray,
    at: int,
    rows: int,
    sizes: np.ndarray,
    count_sizes: np.ndarray,
    signed: np.ndarray,
    little: bool,
) -> tuple[np.ndarray, np.ndarray, int]:
    """Starts and lengths as :func:`_rows` yields them, and the byte after the rows.

    ``sizes`` and ``count_sizes``: bytes of an item of each property and of its count. -1 - k instead of that byte where
    the data end in row k, or it has a negative count.
    """
    starts = np.zeros((rows, len(sizes)), np.int64)
    lengths = np.zeros((rows, len(sizes)), np.int64)
    for row in range(rows):
        for column in range(len(sizes)):
            length = np.int64(1)
            width = count_sizes[column]
            if width > 0:
                if at + width > len(data):
                    return starts, lengths, -1 - row
                length = np.int64(0)
                for byte in range(width):
                    value = np.int64(data[at + (width - 1 - byte if little else byte)])
                    if byte == 0 and signed[column] and value >= 128:
                        return starts, lengths, -1 - row
                    length = length * 256 + value
                at += width
                lengths[row, column] = length
            starts[row, column] = at
            at += length * sizes[column]
            if at > len(data):
                return starts, lengths, -1 - row
    return starts, lengths, at


def _items(data: np.ndarray, starts: np.ndarray, length: int, dtype: np.dtype) -> np.ndarray:
    """Items (n, ``length``) of a type, which begin at ``starts`` (n,) in the bytes ``data``."""
    size = length * dtype.itemsize
    return data[starts[:, None] + np.arange(size)].view(dtype).reshape(len(starts), length)


def _ascii_triangles(path: Path, name: str, header: Header, element: Element, wanted: int) -> Iterator[np.ndarray]:
    skip = header.lines + sum(before.count for before in header.before(element.name))
    with open(path, encoding="ascii", errors="replace") as file:
        next(itertools.islice(file, skip, skip), None)
        for first in range(0, element.count, ROWS):
            rows = min(ROWS, element.count - first)
            polygons = [
                _polygon(line, name, element, wanted, first + row)
                for row, line in enumerate(itertools.islice(file, rows), start=1)
            ]
            if len(polygons) < rows:
                raise refusals.too_short(name, element.count, first + len(polygons), f"rows of '{element.name}'")
            corners = np.array([corner for polygon in polygons for corner in polygon], np.int64)
            yield mesh.fans(corners, np.array([len(polygon) for polygon in polygons]))


def _polygon(line: str, name: str, element: Element, wanted: int, row: int) -> list[int]:
    """The entries of the list that is the property ``wanted`` of a row."""
    words, at = line.split(), 0
    for column, prop in enumerate(element.properties):
        length = 1
        if prop.count_kind is not None:
            length = int(words[at]) if at < len(words) and ply_header.COUNT.fullmatch(words[at]) else len(words) + 1
            at += 1
        if column == wanted:
            items = words[at : at + length]
            if len(items) == length <= mesh.MOST_CORNERS and all(map(ply_header.COUNT.fullmatch, items)):
                return [int(word) for word in items]
            break
        at += length
    raise Rejected(
        f"{name}: row {row} of '{element.name}' is '{line.strip()[:60]}', which is no face of at most "
        f"{mesh.MOST_CORNERS} vertices: it was cut short or damaged, copy or export it again."
    )


def _too_long(name: str, row: int, length: int) -> Rejected:
    return Rejected(
        f"{name}: the list of row {row} has {length} entries, at most {mesh.MOST_CORNERS} are allowed for a face: it "
        "was damaged, copy or export it again, or export triangles."
    )
