"""Surfaces: triangle meshes with attributes of their vertices and faces, and their PLY files."""

from collections.abc import Iterable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numba import njit

from nightbay.core import ply_header
from nightbay.core.ply_header import Element, Property

# attribute of a vertex or face -> PLY type it is stored as
VERTEX_ATTRIBUTES = {
    "count": "<f4",  # effective number of the measured points that are averaged at the vertex
    "spread_mm": "<f4",  # standard deviation of those points along the normal
    "confidence": "<f4",  # 0 (filled) .. 1
    "red": "u1",
    "green": "u1",
    "blue": "u1",
    "uncertainty_mm": "<f4",  # expanded (k = 2), along the normal: of the shape, or of the deviation beside it
    "uncertainty_in_vehicle_mm": "<f4",  # the same of coordinates in the vehicle frame
    "deviation_mm": "<f4",  # from a reference, positive outside
    "changed_area": "<i4",  # number of the area that deviates significantly, 0 for none
}
ROWS = 1_000_000  # rows that are read or written at a time
FACE_ATTRIBUTES = {
    "filled": "u1",  # 0 measured, 1 filled
    "interior": "u1",  # 0 exterior, 1 interior: of a model of both
}


@dataclass(frozen=True)
class Surface:
    """A triangle mesh.

    ``vertices_mm`` (n, 3) float32; ``faces`` (m, 3) int32, anticlockwise seen from outside; ``vertex`` maps names of
    :data:`VERTEX_ATTRIBUTES` to (n,) arrays; ``face`` names of :data:`FACE_ATTRIBUTES` to (m,) arrays. In a surface
    that is too large for memory any of these may be a :class:`Column` instead of an array. The documentation of a
    function says whether it accepts such a surface.
    """

    vertices_mm: np.ndarray
    faces: np.ndarray
    vertex: dict[str, Any] = field(default_factory=dict)
    face: dict[str, Any] = field(default_factory=dict)


def face_normals(surface: Surface) -> np.ndarray:
    """Area vector of each face, (m, 3) float64: it points outwards, and its length is twice the area in mm2."""
    a, b, c = (surface.vertices_mm[surface.faces[:, at]].astype(np.float64) for at in range(3))
    return np.cross(b - a, c - a)


@njit(cache=True)
def areas_of(vertices_mm: np.ndarray, faces: np.ndarray) -> np.ndarray:
    """Area of each of the ``faces``, (m, 3) int32, on ``vertices_mm`` (n, 3) float32: (m,) float64 mm2."""
    areas = np.empty(len(faces))
    for face in range(len(faces)):
        a, b, c = faces[face]
        x, y, z = np.float64(vertices_mm[a, 0]), np.float64(vertices_mm[a, 1]), np.float64(vertices_mm[a, 2])
        ux, uy, uz = vertices_mm[b, 0] - x, vertices_mm[b, 1] - y, vertices_mm[b, 2] - z
        vx, vy, vz = vertices_mm[c, 0] - x, vertices_mm[c, 1] - y, vertices_mm[c, 2] - z
        areas[face] = np.sqrt((uy * vz - uz * vy) ** 2 + (uz * vx - ux * vz) ** 2 + (ux * vy - uy * vx) ** 2) / 2
    return areas


def face_areas(surface: Surface) -> np.ndarray:
    """Area of each face, (m,) float64 mm2."""
    return areas_of(surface.vertices_mm, surface.faces)


def area_mm2(surface: Surface) -> float:
    """Area of the whole surface in mm2; its faces may be a :class:`Column`."""
    return sum(float(areas_of(surface.vertices_mm, surface.faces[rows]).sum()) for rows in spans(len(surface.faces)))


# These are compiled loops because NumPy converts int32 indices to int64 first, which takes six times a vertex's memory.


@njit(cache=True)
def kept(faces: np.ndarray, keep: np.ndarray) -> np.ndarray:
    """A copy, (k, 3) int32, of those of the ``faces`` (m, 3) that ``keep``, (m,) bool, selects."""
    chosen = np.empty((np.sum(keep), 3), np.int32)
    at = 0
    for face in range(len(faces)):
        if keep[face]:
            for k in range(3):
                chosen[at, k] = faces[face, k]
            at += 1
    return chosen


@njit(cache=True)
def in_use(faces: np.ndarray, vertex_count: int) -> np.ndarray:
    """Which of the n vertices any of the ``faces``, (m, 3) int, uses, (n,) bool."""
    used = np.zeros(vertex_count, np.bool_)
    mark(faces, used)
    return used


@njit(cache=True)
def mark(faces: np.ndarray, used: np.ndarray) -> None:
    """Set ``used``, (n,) bool, for every vertex of the ``faces``, (m, 3) int, in place."""
    for face in range(len(faces)):
        for k in range(3):
            used[faces[face, k]] = True


@njit(cache=True)
def renumber(faces: np.ndarray, number: np.ndarray) -> None:
    """Replace each vertex v of the ``faces``, (m, 3) int32, by ``number[v]``, (n,) int, in place."""
    for face in range(len(faces)):
        for k in range(3):
            faces[face, k] = number[faces[face, k]]


@dataclass(frozen=True)
class Column:
    """A column of a file of records, read on demand: ``column[10:20]``, ``column[rows]`` with ``rows`` (k,) int in any
    order, ``column[:]``. Each of these returns an array in memory.

    ``path`` of the file; ``name`` of the column in the ``record`` type; ``offset`` of the first record in the file,
    bytes; ``count`` of the records.
    """

    path: Path
    name: str
    record: np.dtype
    offset: int
    count: int

    def __len__(self) -> int:
        return self.count

    def __getitem__(self, rows: slice | np.ndarray) -> np.ndarray:
        kind, shape = self.record[self.name].base, self.record[self.name].shape
        if isinstance(rows, slice):
            start, stop, step = rows.indices(self.count)
            if step != 1:
                raise ValueError(f"{self.path}: a slice of a column has step 1, not {step}")
            values = np.empty((max(stop - start, 0), *shape), kind)
            for part in spans(len(values)):
                values[part] = self._read(start + part.start, part.stop - part.start)
            return values
        rows = np.asarray(rows)
        values = np.empty((len(rows), *shape), kind)
        order = np.argsort(rows, kind="stable")
        ahead = rows[order]
        for part in spans(self.count):
            first, last = np.searchsorted(ahead, (part.start, part.stop))
            if first < last:
                low, high = int(ahead[first]), int(ahead[last - 1])
                values[order[first:last]] = self._read(low, high + 1 - low)[ahead[first:last] - low]
        return values

    def records(self, start: int, count: int) -> np.ndarray:
        """``count`` records of the file from row ``start`` on, with all columns, (count,) of the record type."""
        at = self.offset + start * self.record.itemsize
        return np.fromfile(self.path, self.record, count, offset=at)

    def _read(self, start: int, count: int) -> np.ndarray:
        return self.records(start, count)[self.name]


def store(folder: Path, kinds: Mapping[str, Any], blocks: Iterable[Mapping[str, np.ndarray]]) -> dict[str, Any]:
    """Write each column to a file of its own in ``folder``; returns the :class:`Column` of each name.

    ``kinds``: for each name the NumPy type of a row, ``"<f4"``, or its type and shape, ``("<f4", 3)``; ``blocks``:
    consecutive rows of all columns, by name.
    """
    counts = dict.fromkeys(kinds, 0)
    records = {name: np.dtype([(name, kind)]) for name, kind in kinds.items()}
    with ExitStack() as stack:
        files = {name: stack.enter_context(open(folder / name, "wb")) for name in kinds}
        for columns in blocks:
            for name, file in files.items():
                values = columns[name]
                values.astype(records[name][name].base, copy=False).tofile(file)
                counts[name] += len(values)
    return {name: Column(folder / name, name, records[name], 0, counts[name]) for name in kinds}


def block(columns: Mapping[str, Any], rows: slice) -> dict[str, np.ndarray]:
    """The ``rows`` of ``columns``, arrays or :class:`Column` by name; a file is read once for all its columns."""
    read: dict[tuple[Path, int], np.ndarray] = {}
    values: dict[str, np.ndarray] = {}
    for name, column in columns.items():
        if isinstance(column, Column):
            source = column.path, column.offset
            if source not in read:
                read[source] = column.records(rows.start, rows.stop - rows.start)
            values[name] = read[source][column.name]
        else:
            values[name] = column[rows]
    return values


def spans(count: int) -> list[slice]:
    """Consecutive slices of at most :data:`ROWS` rows that cover ``count`` rows."""
    return [slice(start, min(start + ROWS, count)) for start in range(0, count, ROWS)]


def write_ply(path: Path, surface: Surface, comments: Sequence[str] = ()) -> None:
    """Write a binary little-endian PLY file with all attributes; ``comments`` state units and frame.

    The columns of the surface may be :class:`Column`.
    """
    vertex = {"xyz": surface.vertices_mm} | surface.vertex
    face = {"vertex_indices": surface.faces} | surface.face
    stream_ply(path, Rows.of(vertex), Rows.of(face), comments)


@dataclass(frozen=True)
class Rows:
    """Rows of vertices or of faces that are written a block at a time.

    ``names`` of the columns: ``xyz`` (k, 3) or ``vertex_indices`` (k, 3) first, then attributes, (k,); ``count``: rows
    in all blocks together; ``blocks``: consecutive rows of all columns, by name.
    """

    names: tuple[str, ...]
    count: int
    blocks: Iterable[Mapping[str, np.ndarray]]

    @staticmethod
    def of(columns: Mapping[str, Any]) -> "Rows":
        """All rows of ``columns``, arrays or :class:`Column` by name."""
        count = len(next(iter(columns.values())))
        blocks = (block(columns, rows) for rows in spans(count))
        return Rows(tuple(columns), count, blocks)


def stream_ply(path: Path, vertex: Rows, face: Rows, comments: Sequence[str] = ()) -> None:
    """Write the file that :func:`write_ply` writes; all blocks of ``vertex`` are drawn before those of ``face``.

    Raises ValueError if the blocks do not hold the stated number of rows.
    """
    header = ply_header.write(
        [
            Element("vertex", vertex.count, [*(Property(axis, "f4") for axis in "xyz"), *_declared(vertex)]),
            Element("face", face.count, [Property("vertex_indices", "i4", "u1"), *_declared(face)]),
        ],
        comments,
    )
    with open(path, "wb") as file:
        file.write(header)
        _write_rows(file, _vertex_record(vertex.names[1:]), vertex)
        _write_rows(file, _face_record(face.names[1:]), face)


def _declared(rows: Rows) -> list[Property]:
    """The attributes of vertices or faces as properties."""
    kinds = VERTEX_ATTRIBUTES | FACE_ATTRIBUTES
    return [Property(name, np.dtype(kinds[name]).str[1:]) for name in rows.names[1:]]


def _vertex_record(attributes: Sequence[str]) -> np.dtype:
    return np.dtype([("xyz", "<f4", 3), *((name, VERTEX_ATTRIBUTES[name]) for name in attributes)])


def _face_record(attributes: Sequence[str]) -> np.dtype:
    names = ((name, FACE_ATTRIBUTES[name]) for name in attributes)
    return np.dtype([("corners", "u1"), ("vertex_indices", "<i4", 3), *names])


def _write_rows(file: BinaryIO, record: np.dtype, rows: Rows) -> None:
    written = 0
    for columns in rows.blocks:
        block = np.empty(len(columns[rows.names[0]]), record)
        if rows.names[0] == "vertex_indices":
            block["corners"] = 3
        for name in rows.names:
            block[name] = columns[name]
        block.tofile(file)
        written += len(block)
    if written != rows.count:
        raise ValueError(f"{file.name}: the header states {rows.count} rows, but {written} were written")


def open_ply(path: Path) -> Surface:
    """A surface in a file of :func:`write_ply`; its columns are :class:`Column`, which are read on demand.

    Raises ValueError if the size of the file does not fit its header.
    """
    path = Path(path)
    with open(path, "rb") as file:
        header = ply_header.read(file)
    counts = {element.name: element.count for element in header.elements}
    attributes = {element.name: [declared.name for declared in element.properties] for element in header.elements}
    offset = header.offset
    vertex_record, face_record = _vertex_record(attributes["vertex"][3:]), _face_record(attributes["face"][1:])
    first_face = offset + counts["vertex"] * vertex_record.itemsize
    size, expected = path.stat().st_size, first_face + counts["face"] * face_record.itemsize
    if size != expected:
        raise ValueError(f"{path} has {size} bytes, its header requires {expected}: delete it and run its job again")
    vertex = _columns(path, vertex_record, offset, counts["vertex"])
    face = _columns(path, face_record, first_face, counts["face"])
    del face["corners"]
    return Surface(vertex.pop("xyz"), face.pop("vertex_indices"), vertex, face)


def _columns(path: Path, record: np.dtype, offset: int, count: int) -> dict[str, Any]:
    """The :class:`Column` of each name of a record type."""
    return {name: Column(path, name, record, offset, count) for name in record.names or ()}


def read_ply(path: Path) -> Surface:
    """A surface in a file of :func:`write_ply`, read into memory; raises ValueError as :func:`open_ply` does."""
    lazy = open_ply(path)
    vertex, face = ({name: column[:] for name, column in columns.items()} for columns in (lazy.vertex, lazy.face))
    return Surface(lazy.vertices_mm[:], lazy.faces[:], vertex, face)
