"""Reads points from PLY, ascii or binary of either byte order; faces of a mesh give its points their normals."""

import itertools
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from nightbay.core import ply_header
from nightbay.core.errors import Rejected
from nightbay.core.ply_header import Element, Header
from nightbay.readers import mesh, refusals, rows
from nightbay.readers.block import MOST, Block, colour_of, normals_of, single_step

COLOURS = (("red", "green", "blue"), ("r", "g", "b"), ("diffuse_red", "diffuse_green", "diffuse_blue"))
TIMES = ("time", "timestamp", "gps_time", "frame")
NORMALS = (("nx", "ny", "nz"), ("normal_x", "normal_y", "normal_z"))


def blocks(path: Path, name: str) -> Iterator[Block]:
    """Yield the blocks of a PLY file's vertices.

    Raises :class:`Rejected` for a file that is no PLY file, is damaged, cut short or holds no points, and for a face of
    a vertex that is not there.
    """
    header = read_header(path, name)
    vertex = header.element("vertex")
    present = {prop.name for prop in vertex.properties if not prop.count_kind} if vertex is not None else set()
    if vertex is None or not present.issuperset("xyz"):
        raise Rejected(f"{name}: its header declares no vertices with x, y and z: export points or a mesh.")
    if vertex.count == 0:
        raise Rejected(f"{name} holds no points (element vertex 0): export it again.")
    check_size(path, name, header)
    normals = next((triple for triple in NORMALS if present.issuperset(triple)), None)
    colours = next((triple for triple in COLOURS if present.issuperset(triple)), None)
    timed = next((prop.name for prop in vertex.properties if prop.name.lower() in TIMES and not prop.count_kind), None)
    face = header.element("face")
    from_faces = None
    if normals is None and face is not None and face.count:
        from_faces = _normals_from_faces(path, name, header, vertex, face)
    single = header.order != "ascii" and any(
        prop.kind == "f4" for prop in vertex.properties if prop.name in ("x", "y", "z")
    )
    count = 0
    for records in _vertices(path, name, header, vertex):
        xyz = np.column_stack([records[axis].astype(np.float64) for axis in "xyz"])
        normal = None
        if normals is not None:
            normal = normals_of(np.column_stack([records[column] for column in normals]))
        elif from_faces is not None:
            normal = from_faces[count : count + len(records)]
        yield Block(
            xyz,
            normal,
            colour_of(np.column_stack([records[column] for column in colours]), name) if colours else None,
            first=count + 1,
            step=single_step(xyz) if single else 0.0,
            time=records[timed].astype(np.float64) if timed else None,
        )
        count += len(records)
    if count < vertex.count:
        raise refusals.too_short(name, vertex.count, count)


def read_mesh(path: Path, name: str) -> tuple[np.ndarray, np.ndarray]:
    """Vertices (n, 3) float64 in the file's units and triangles (m, 3) int64 of a PLY mesh, none of a cloud.

    Raises :class:`Rejected` as :func:`blocks` does.
    """
    xyz = np.concatenate([block.xyz for block in blocks(path, name)])
    header = read_header(path, name)
    face = header.element("face")
    faces = [np.empty((0, 3), np.int64)]
    for some in _triangles(path, name, header, face) if face is not None and face.count else ():
        mesh.check(some, len(xyz), name, sum(map(len, faces)))
        faces.append(some)
    return xyz, np.concatenate(faces)


def read_header(path: Path, name: str) -> Header:
    """The header of a PLY file; ``name``: its name in messages. Raises :class:`Rejected` for one that is none."""
    with open(path, "rb") as file:
        try:
            return ply_header.read(file)
        except ply_header.NoMagic as error:
            reason = f"{name} does not begin with 'ply', so it is not a PLY file: export it again."
            raise Rejected(reason) from error
        except ply_header.NoEnd as error:
            reason = f"{name}: its header has no end ('end_header'): it was cut short, copy or export it again."
            raise Rejected(reason) from error
        except ply_header.NoFormat as error:
            raise Rejected(f"{name}: its header has no line 'format': export it again.") from error
        except ply_header.BadLine as error:
            reason = f"{name}: the line '{str(error)[:60]}' of its header is not PLY: export it again."
            raise Rejected(reason) from error
        except ply_header.BadElement as error:
            raise Rejected(f"{name}: its header is not PLY, since {str(error)[:200]}: export it again.") from error


def check_size(path: Path, name: str, header: Header) -> None:
    """Raise :class:`Rejected` for a file that is too small for what its header promises, before its rows are read."""
    size = os.path.getsize(path) - header.offset + (header.order == "ascii")  # the last blank may be missing
    for element in header.elements:
        if header.order == "ascii":
            least = element.count * 2 * len(element.properties)  # a digit and a blank each
        else:
            kinds = [prop.count_kind or prop.kind for prop in element.properties]  # lists may be empty
            least = element.count * sum(np.dtype(kind).itemsize for kind in kinds)
        if size < least:
            held = max(0, size) * element.count // least
            rows = {"vertex": "points", "face": "faces"}.get(element.name, f"rows of '{element.name}'")
            raise refusals.too_short(name, element.count, f"at most {held}", rows)
        size -= least


def _vertices(path: Path, name: str, header: Header, vertex: Element) -> Iterator[np.ndarray]:
    """Yield structured records of the vertices, :data:`MOST` at a time at most."""
    before = header.before("vertex")
    if header.order == "ascii":
        yield from _ascii_vertices(path, name, vertex, header.lines + sum(element.count for element in before))
        return
    if vertex.has_list or any(element.has_list for element in before):
        from nightbay.readers import ply_rows

        yield from ply_rows.values(path, name, header, vertex)
        return
    records = np.memmap(path, vertex.dtype(header.order), "r", header.offset_of("vertex"), (vertex.count,))
    for start in range(0, vertex.count, MOST):
        yield records[start : start + MOST]


def _ascii_vertices(path: Path, name: str, vertex: Element, skip: int) -> Iterator[np.ndarray]:
    """Yield structured records of the vertices, which come after ``skip`` lines."""
    if vertex.has_list:
        raise Rejected(f"{name}: its points carry lists, which are not read from ascii PLY: export it as binary PLY.")
    kinds = [(prop.name, prop.kind if prop.kind.startswith("u") else "f8") for prop in vertex.properties]
    left = vertex.count
    with open(path, encoding="ascii", errors="replace") as file:
        next(itertools.islice(file, skip, skip), None)
        while left:
            table = _ascii_table(itertools.islice(file, min(left, MOST)), name, vertex.count - left)
            if not table.size:
                return
            if table.shape[1] != len(kinds):
                raise Rejected(
                    f"{name}: its header declares {len(kinds)} values a point, its rows hold {table.shape[1]}: export "
                    "it again."
                )
            records = np.empty(len(table), kinds)
            for column, (prop, kind) in enumerate(kinds):
                _check_range(table[:, column], prop, kind, name)
                records[prop] = table[:, column]
            yield records
            left -= len(table)


def _check_range(values: np.ndarray, prop: str, kind: str, name: str) -> None:
    """Raise :class:`Rejected` for numbers that the declared type of a property, ``kind``, can't hold."""
    if not kind.startswith("u"):
        return
    most = np.iinfo(kind).max
    wrong = ~((values >= 0) & (values <= most))
    if wrong.any():
        raise Rejected(
            f"{name}: a point has {prop} = {values[wrong][0]:g}, and 0 to {most} is what its header allows: it was "
            "damaged, copy or export it again."
        )


def _ascii_table(lines: Iterator[str], name: str, first: int) -> np.ndarray:
    """Numbers of the lines, (m, k) float64; ``first``: points before them."""
    try:
        return rows.numbers(lines, comments=None)
    except ValueError as error:
        raise Rejected(
            f"{name}: its points can't be read as numbers after point {first} ({refusals.cause(error)}): it was cut "
            "short or damaged, copy or export it again."
        ) from error


def _normals_from_faces(path: Path, name: str, header: Header, vertex: Element, face: Element) -> np.ndarray:
    """Area-weighted normal of every vertex, (n, 3) float32, zero where no face uses it."""
    from nightbay.readers import face_normals

    xyz = np.empty((vertex.count, 3))
    count = 0
    for records in _vertices(path, name, header, vertex):
        for column, axis in enumerate("xyz"):
            xyz[count : count + len(records), column] = records[axis]
        count += len(records)
    if count < vertex.count:
        raise refusals.too_short(name, vertex.count, count)
    normal = np.zeros((vertex.count, 3))
    first = 0
    for faces in _triangles(path, name, header, face):
        mesh.check(faces, vertex.count, name, first)
        face_normals.add(normal, xyz, faces)
        first += len(faces)
    return mesh.unit(normal)


def _triangles(path: Path, name: str, header: Header, face: Element) -> Iterator[np.ndarray]:
    """Yield triangles, (m, 3) int64; polygons are divided into fans."""
    lists = [prop for prop in face.properties if prop.count_kind is not None]
    if not lists:
        raise Rejected(f"{name}: its faces have no list of vertices: export it again.")
    records = _triangle_records(path, header, face)
    if records is None:
        from nightbay.readers import ply_rows

        yield from ply_rows.triangles(path, name, header, face)
        return
    for start in range(0, face.count, MOST):
        yield records["items of list"][start : start + MOST].astype(np.int64)


def _triangle_records(path: Path, header: Header, face: Element) -> np.ndarray | None:
    """Records of the faces, mapped to memory, or None where they are not all triangles of one list in a binary file."""
    lists = [prop for prop in face.properties if prop.count_kind is not None]
    if header.order == "ascii" or len(lists) > 1 or any(element.has_list for element in header.before("face")):
        return None
    columns: list[Any] = []  # no property has a blank in its name
    for prop in face.properties:
        if prop.count_kind is None:
            columns.append((prop.name, header.order + prop.kind))
        else:
            columns.append(("count of list", header.order + prop.count_kind))
            columns.append(("items of list", header.order + prop.kind, 3))
    dtype, offset = np.dtype(columns), header.offset_of("face")
    if offset + face.count * dtype.itemsize > os.path.getsize(path):
        return None
    records = np.memmap(path, dtype, "r", offset, (face.count,))
    triangles = all(np.all(records["count of list"][start : start + MOST] == 3) for start in range(0, face.count, MOST))
    return records if triangles else None
