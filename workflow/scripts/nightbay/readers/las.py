"""Reads points from LAS and LAZ."""

import os
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

import laspy
import lazrs  # noqa: F401  what laspy reads LAZ with; named, so that its version counts for reruns
import numpy as np

from nightbay.core.errors import Rejected
from nightbay.readers import refusals
from nightbay.readers.block import MOST, Block, colour_of

# Sizes and offsets in bytes, of the LAS 1.4 specification (ASPRS, R15) and of the LAZ chunk table.
SHORTEST_HEADER, HEADER_OF_1_4 = 227, 375
HEADER_SIZE, POINT_FORMAT, EXTENDED_RECORDS = 94, 104, 235  # the first: size, offset of the points, count of records
COMPRESSED = 0x80  # bit of the point format
RECORD_BYTES, EXTENDED_RECORD_BYTES = 54, 60  # of a variable length record's own header
TABLE_AT_END = -1  # offset of the chunk table in a file written as a stream: the real one is at the file's end
NORMALS = (("nx", "ny", "nz"), ("NormalX", "NormalY", "NormalZ"), ("normal_x", "normal_y", "normal_z"))


def blocks(path: Path, name: str) -> Iterator[Block]:
    """Yield the blocks of a LAS or LAZ file without the points flagged as withheld, which are counted as invalid.

    Raises :class:`Rejected` for a file that is neither, is damaged, holds no points or fewer than its header promises.
    """
    _check_counts(path, name)
    try:
        with laspy.open(path) as reader:
            yield from _points(reader, path, name)
    except (laspy.LaspyException, ValueError, EOFError, OSError, RuntimeError) as error:
        raise Rejected(f"{name} is damaged or cut short ({error}): copy or export it again.") from error
    except BaseException as error:
        # What lazrs raises for senseless data: not an Exception, and of a type that it does not export.
        if type(error).__name__ != "PanicException":
            raise
        raise Rejected(f"{name} is damaged ({error}): copy or export it again.") from error


def _check_counts(path: Path, name: str) -> None:
    """Refuse a header whose counts can't be true: the library would loop over them or allocate memory by them."""
    size = os.path.getsize(path)
    with open(path, "rb") as file:
        head = file.read(HEADER_OF_1_4)
        if head[:4] != b"LASF":
            raise Rejected(f"{name} does not begin with 'LASF', so it is not a LAS or LAZ file: export it again.")
        if len(head) < SHORTEST_HEADER:
            raise Rejected(f"{name} has {size} bytes, less than its header: it was cut short, copy or export it again.")
        header_size, points, records = struct.unpack_from("<HII", head, HEADER_SIZE)
        sound = header_size <= points <= size and records * RECORD_BYTES <= points - header_size
        if sound and header_size >= HEADER_OF_1_4:
            start, count = struct.unpack_from("<QI", head, EXTENDED_RECORDS)
            sound = count == 0 or start + count * EXTENDED_RECORD_BYTES <= size
        if sound and head[POINT_FORMAT] & COMPRESSED and points + 8 <= size:
            sound = _has_chunk_table(file, points, size)
    if not sound:
        raise Rejected(
            f"{name}: its header does not fit the file: it was cut short or damaged, copy or export it again."
        )


def _has_chunk_table(file: BinaryIO, points: int, size: int) -> bool:
    """Whether the chunk table lies between ``points``, the offset of the points, and the file's end, and its count of
    chunks is possible."""
    file.seek(points)
    (table,) = struct.unpack("<q", file.read(8))
    if table == TABLE_AT_END:
        file.seek(size - 8)
        (table,) = struct.unpack("<q", file.read(8))
    if not points < table <= size - 8:
        return False
    file.seek(table)
    _, chunks = struct.unpack("<II", file.read(8))
    return chunks <= table - points


def _points(reader: Any, path: Path, name: str) -> Iterator[Block]:
    header = reader.header
    if header.point_count == 0:
        raise Rejected(f"{name} holds no points: export it again.")
    if not header.are_points_compressed:
        held = (os.path.getsize(path) - header.offset_to_point_data) // header.point_format.size
        if held < header.point_count:
            raise refusals.too_short(name, header.point_count, max(0, held))
    names = set(header.point_format.dimension_names)
    normals = next((fields for fields in NORMALS if names.issuperset(fields)), None)
    coloured = names.issuperset(("red", "green", "blue"))
    timed = "gps_time" in names
    count, deep = 0, False  # deep: a colour above 255 was seen, so that colours have 16 bits
    for points in reader.chunk_iterator(MOST):
        keep = ~np.asarray(points.withheld).astype(bool)
        colour = None
        if coloured:
            values = np.column_stack([points.red, points.green, points.blue])
            deep = deep or bool(values.size and values.max() > 255)
            colour = ((values >> 8).astype(np.uint8) if deep else colour_of(values))[keep]
        yield Block(
            np.column_stack([points.x, points.y, points.z])[keep].astype(np.float64),
            np.column_stack([points[field] for field in normals])[keep].astype(np.float32) if normals else None,
            colour,
            first=count + 1,
            invalid=int(np.count_nonzero(~keep)),
            step=float(np.max(header.scales)),
            time=np.asarray(points.gps_time, np.float64)[keep] if timed else None,
        )
        count += len(points)
    if count < header.point_count:
        raise refusals.too_short(name, header.point_count, count)
