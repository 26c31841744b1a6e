"""Reads points from LAS and LAZ."""

import os

import laspy
import numpy as np

from nightbay.errors import Rejected
from nightbay.readers.block import MOST, Block, colour_of

NORMALS = (("nx", "ny", "nz"), ("NormalX", "NormalY", "NormalZ"), ("normal_x", "normal_y", "normal_z"))


def blocks(path, name):
    """Yield :class:`Block` of a LAS or LAZ file; points flagged as withheld are left out and counted as invalid."""
    with open(path, "rb") as file:
        if file.read(4) != b"LASF":
            raise Rejected(f"{name} does not begin with 'LASF', so it is not a LAS or LAZ file: export it again.")
    try:
        with laspy.open(path) as reader:
            yield from _points(reader, path, name)
    except (laspy.LaspyException, ValueError, EOFError, OSError, RuntimeError) as error:
        raise Rejected(f"{name} is damaged or cut short ({error}): copy or export it again.") from error


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
        )
        count += len(points)
    if count < header.point_count:
        raise Rejected(
            f"{name}: its header promises {header.point_count} points, the file holds {count}: it was cut short, copy "
            "or export it again."
        )
