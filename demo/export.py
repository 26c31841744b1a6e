"""Writes simulated runs as raw files of several formats, a chunk at a time, and lists of targets as text.

The same points give the same bytes: dates and identifiers that formats ask for are fixed.
"""

import datetime
import uuid
from collections.abc import Callable, Iterable
from contextlib import contextmanager
from pathlib import Path
from unittest import mock

import laspy
import numpy as np
import pye57
import pye57.e57

from simulate import Points
from survey import TargetList


def write(path: Path, chunks: Iterable[Points], keep: Callable[[Points], None]) -> None:
    """Write chunks of points in the format of the suffix of ``path``; ``keep`` is called with each chunk."""
    writers = {".ply": _ply, ".e57": _e57, ".las": _las, ".laz": _las, ".xyz": _text, ".csv": _text}
    with writers[path.suffix](path) as put:
        for points in chunks:
            put(points)
            keep(points)


def _columns(points):
    """Structured records of a chunk, single precision."""
    kinds = [(name, "<f4") for name in "xyz"]
    kinds += [(name, "<f4") for name in ("nx", "ny", "nz") if points.normals is not None]
    kinds += [(name, "u1") for name in ("red", "green", "blue") if points.colour is not None]
    values = [points.xyz] + [column for column in (points.normals, points.colour) if column is not None]
    records, at = np.empty(len(points), kinds), 0
    for block in values:
        for column in block.T:
            records[kinds[at][0]] = column
            at += 1
    return records


@contextmanager
def _ply(path):
    """Binary little-endian PLY; the number of points is put into its header at the end."""
    count, kinds = 0, None
    start, room = "ply\nformat binary_little_endian 1.0\n", len("element vertex 9999999999")
    with open(path, "w+b") as file:

        def put(points):
            nonlocal count, kinds
            records = _columns(points)
            if kinds is None:
                kinds = records.dtype
                lines = [" " * room, *_properties(kinds), "end_header"]
                file.write((start + "\n".join(lines) + "\n").encode())
            records.tofile(file)
            count += len(records)

        yield put
        file.seek(len(start))
        file.write(f"element vertex {count:010}".encode())


def _properties(kinds):
    return [f"property {'float' if kinds[name].kind == 'f' else 'uchar'} {name}" for name in kinds.names]


@contextmanager
def _e57(path):
    """E57, each chunk a scan of its own; without normals, which the standard does not have."""
    numbers = iter(range(1, 1_000_000))
    fixed = mock.patch.object(pye57.e57.uuid, "uuid4", lambda: uuid.UUID(int=next(numbers)))
    with fixed, pye57.E57(str(path), mode="w") as file:

        def put(points):
            xyz = points.xyz.astype(np.float32).astype(np.float64)
            data = {f"cartesian{axis}": np.ascontiguousarray(xyz[:, at]) for at, axis in enumerate("XYZ")}
            if points.colour is not None:
                names = ("colorRed", "colorGreen", "colorBlue")
                data |= {name: np.ascontiguousarray(points.colour[:, at]) for at, name in enumerate(names)}
            file.write_scan_raw(data)

        yield put


@contextmanager
def _las(path):
    """LAS or LAZ, coordinates in steps of 0.001 of the unit."""
    header = laspy.LasHeader(point_format=2, version="1.2")
    header.scales, header.offsets = np.full(3, 0.001), np.zeros(3)
    header.creation_date = datetime.date(2024, 1, 1)
    with laspy.open(path, mode="w", header=header, do_compress=path.suffix == ".laz") as file:

        def put(points):
            record = laspy.ScaleAwarePointRecord.zeros(len(points), header=header)
            record.x, record.y, record.z = points.xyz.T
            if points.colour is not None:
                record.red, record.green, record.blue = points.colour.T.astype(np.uint16) << 8
            file.write_points(record)

        yield put


@contextmanager
def _text(path):
    """Delimited text of the coordinates alone, by blanks (xyz) or commas (csv with a heading)."""
    comma = path.suffix == ".csv"
    with open(path, "w", encoding="ascii") as file:
        if comma:
            file.write("x,y,z\n")
        yield lambda points: np.savetxt(file, points.xyz, fmt="%.4f", delimiter="," if comma else " ")


def write_targets(path: Path, listed: TargetList) -> None:
    """Write a list of targets as text: coordinates, normal, diameter; no names."""
    table = np.column_stack([listed.xyz, listed.normals, listed.diameter])
    with open(path, "w", encoding="ascii") as file:
        file.write("x,y,z,nx,ny,nz,diameter\n")
        np.savetxt(file, table, fmt=["%.6f"] * 3 + ["%.5f"] * 3 + ["%.5f"], delimiter=",")
