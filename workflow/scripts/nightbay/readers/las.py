"""Reads points from LAS and LAZ."""

import os
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

import laspy
import lazrs
import numpy as np

from nightbay.core.errors import Rejected
from nightbay.readers import refusals
from nightbay.readers.block import MOST, Block, colour_of, normals_of

# Sizes and offsets in bytes, of the LAS 1.4 specification (ASPRS, R15) and of the LAZ chunk table.
SHORTEST_HEADER, HEADER_OF_1_4 = 227, 375
VERSION, VERSIONS = 24, ((1, 0), (1, 4))
HEADER_SIZE, POINT_FORMAT, EXTENDED_RECORDS = 94, 104, 235  # the first: size, offset of the points, count of records
COMPRESSED = 0x80  # bit of the point format
RECORD_BYTES, EXTENDED_RECORD_BYTES = 54, 60  # of a variable length record's own header
BLOCK_BYTES = 1 << 23  # of points that are held at a time
MOST_A_BYTE = 4  # compressed points a byte; scans have one in two bytes or more
TABLE_AT_END = -1  # offset of the chunk table in a file written as a stream: the real one is at the file's end
NORMALS = (("nx", "ny", "nz"), ("NormalX", "NormalY", "NormalZ"), ("normal_x", "normal_y", "normal_z"))


def blocks(path: Path, name: str) -> Iterator[Block]:
    """Yield the blocks of a LAS or LAZ file without the points flagged as withheld, which are counted as invalid.

    Raises :class:`Rejected` for a file that is neither, is damaged, holds no points or fewer than its header promises.
    """
    _check_counts(path, name)
    with open(path, "rb") as file:
        with refusals.of_library(name):
            # No parallel decompression, which holds more of the file; nor records after the points, which nobody needs.
            reader = laspy.LasReader(file, laz_backend=laspy.LazBackend.Lazrs, read_evlrs=False)
        yield from _points(reader, path, name)


def _check_counts(path: Path, name: str) -> None:
    """Refuse a header whose counts can't be true: the library would loop over them or allocate memory by them."""
    size = os.path.getsize(path)
    with open(path, "rb") as file:
        head = file.read(HEADER_OF_1_4)
        if head[:4] != b"LASF":
            raise Rejected(f"{name} does not begin with 'LASF', so it is not a LAS or LAZ file: export it again.")
        if len(head) < SHORTEST_HEADER:
            raise Rejected(f"{name} has {size} bytes, less than its header: it was cut short, copy or export it again.")
        version = (head[VERSION], head[VERSION + 1])
        if not VERSIONS[0] <= version <= VERSIONS[1]:
            raise Rejected(
                f"{name}: its version is {version[0]}.{version[1]}; LAS {VERSIONS[0][0]}.{VERSIONS[0][1]} to "
                f"{VERSIONS[1][0]}.{VERSIONS[1][1]} are read: export it as LAS 1.4."
            )
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
    _check_points(header, path, name)
    names = set(header.point_format.dimension_names)
    normals = next((fields for fields in NORMALS if names.issuperset(fields)), None)
    coloured = names.issuperset(("red", "green", "blue"))
    timed = "gps_time" in names
    step = min(MOST, max(1, BLOCK_BYTES // header.point_format.size))
    count, deep = 0, False  # deep: a colour above 255 was seen, so that colours have 16 bits
    while count < header.point_count:
        with refusals.of_library(name):
            points = reader.read_points(step)
            keep = ~np.asarray(points.withheld).astype(bool)
            xyz = np.column_stack([points.x[keep], points.y[keep], points.z[keep]]).astype(np.float64, copy=False)
            normal = normals_of(np.column_stack([points[field][keep] for field in normals])) if normals else None
            shades = np.column_stack([points.red, points.green, points.blue])[keep] if coloured else None
            time = np.asarray(points.gps_time, np.float64)[keep] if timed else None
        if not len(points):
            raise refusals.too_short(name, header.point_count, count)
        colour = None
        if shades is not None:
            deep = deep or bool(shades.size and shades.max() > 255)
            colour = (shades >> 8).astype(np.uint8) if deep else colour_of(shades, name)
        yield Block(
            xyz,
            normal,
            colour,
            first=count + 1,
            invalid=int(np.count_nonzero(~keep)),
            step=float(np.max(header.scales)),
            time=time,
        )
        count += len(points)


def _check_points(header: Any, path: Path, name: str) -> None:
    """Refuse more points than the file can hold, and compressed points of another size than the header's."""
    size = os.path.getsize(path)
    if not header.are_points_compressed:
        held = (size - header.offset_to_point_data) // header.point_format.size
        if held < header.point_count:
            raise refusals.too_short(name, header.point_count, max(0, held))
        return
    with refusals.of_library(name):
        compressed = lazrs.LazVlr(header.vlrs.get("LasZipVlr")[0].record_data).item_size()
    if compressed != header.point_format.size:
        raise Rejected(
            f"{name}: its points have {header.point_format.size} bytes by its header and {compressed} by its "
            "compression: it was damaged, copy or export it again."
        )
    if header.point_count > MOST_A_BYTE * size:
        raise refusals.too_many(name, header.point_count, size)
