"""Reads points from LAS and LAZ."""

import os
import struct

import laspy
import lazrs  # noqa: F401  what laspy reads LAZ with; named, so that its version counts for reruns
import numpy as np

from nightbay.core.errors import Rejected
from nightbay.readers.block import MOST, Block, colour_of

RECORD_BYTES, EXTRA_RECORD_BYTES = 54, 60  # of a variable length record's own header
NORMALS = (("nx", "ny", "nz"), ("NormalX", "NormalY", "NormalZ"), ("normal_x", "normal_y", "normal_z"))


def blocks(path, name):
    """Yield :class:`Block` of a LAS or LAZ file; points flagged as withheld are left out and counted as invalid."""
    _check_counts(path, name)
    try:
        with laspy.open(path) as reader:
            yield from _points(reader, path, name)
    except (laspy.LaspyException, ValueError, EOFError, OSError, RuntimeError) as error:
        raise Rejected(f"{name} is damaged or cut short ({error}): copy or export it again.") from error
    except BaseException as error:
        # How lazrs says that it met with nonsense: not an Exception, and of a type that it does not export.
        if type(error).__name__ != "PanicException":
            raise
        raise Rejected(f"{name} is damaged ({error}): copy or export it again.") from error


def _check_counts(path, name):
    """Refuse a header whose counts can't be true: the library would loop over them or ask for memory by them.

    Places and sizes of the fields are those of the LAS 1.4 specification and of the LAZ chunk table.
    """
    size = os.path.getsize(path)
    with open(path, "rb") as file:
        head = file.read(375)
        if head[:4] != b"LASF":
            raise Rejected(f"{name} does not begin with 'LASF', so it is not a LAS or LAZ file: export it again.")
        if len(head) < 227:
            raise Rejected(f"{name} has {size} bytes, less than its header: it was cut short, copy or export it again.")
        header_size, data, records = struct.unpack_from("<HII", head, 94)
        sound = header_size <= data <= size and records * RECORD_BYTES <= data - header_size
        if sound and header_size >= 375:
            extra, count = struct.unpack_from("<QI", head, 235)
            sound = count == 0 or extra + count * EXTRA_RECORD_BYTES <= size
        if sound and head[104] & 0x80 and data + 8 <= size:
            file.seek(data)
            (table,) = struct.unpack("<q", file.read(8))
            if table == -1:  # written as a stream: the place of the chunk table stands at the end
                file.seek(size - 8)
                (table,) = struct.unpack("<q", file.read(8))
            sound = data < table <= size - 8
            if sound:
                file.seek(table)
                _, chunks = struct.unpack("<II", file.read(8))
                sound = chunks <= table - data
    if not sound:
        raise Rejected(
            f"{name}: its header does not fit the file: it was cut short or damaged, copy or export it again."
        )


def _points(reader, path, name):
    header = reader.header
    if header.point_count == 0:
        raise Rejected(f"{name} holds no points: export it again.")
    if not header.are_points_compressed:
        held = (os.path.getsize(path) - header.offset_to_point_data) // header.point_format.size
        if held < header.point_count:
            raise Rejected(
                f"{name}: its header promises {header.point_count} points, the file holds {max(0, held)}: it was cut "
                "short, copy or export it again."
            )
    names = set(header.point_format.dimension_names)
    normals = next((three for three in NORMALS if names.issuperset(three)), None)
    coloured = names.issuperset(("red", "green", "blue"))
    count, deep = 0, False
    for points in reader.chunk_iterator(MOST):
        keep = ~np.asarray(points.withheld).astype(bool)
        colour = np.column_stack([points.red, points.green, points.blue]) if coloured else None
        deep = deep or (colour is not None and bool(colour.size) and colour.max() > 255)
        yield Block(
            np.column_stack([points.x, points.y, points.z])[keep].astype(np.float64),
            np.column_stack([points[one] for one in normals])[keep].astype(np.float32) if normals else None,
            (colour_of(colour) if not deep else (colour >> 8).astype(np.uint8))[keep] if coloured else None,
            first=count + 1,
            invalid=int(np.count_nonzero(~keep)),
            step=float(np.max(header.scales)),
        )
        count += len(points)
    if count < header.point_count:
        raise Rejected(
            f"{name}: its header promises {header.point_count} points, the file holds {count}: it was cut short, copy "
            "or export it again."
        )
