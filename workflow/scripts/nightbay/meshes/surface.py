"""Surfaces: triangle meshes with what is known of every vertex and every face, and their PLY files."""

from collections.abc import Iterable
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numba import njit

from nightbay.core import ply_header
from nightbay.core.ply_header import Element, Property

# attribute of a vertex or face -> PLY type it is stored as
VERTEX_ATTRIBUTES = {
    "count": "<f4",  # measured points that bear on the vertex, by weight
    "spread_mm": "<f4",  # standard deviation of those points along the normal
    "confidence": "<f4",  # 0 (made up) .. 1
    "red": "u1",
    "green": "u1",
    "blue": "u1",
}
ROWS = 1_000_000  # that are read or written at a time
FACE_ATTRIBUTES = {"filled": "u1"}  # 0 measured, 1 made up by fill


@dataclass(frozen=True)
class Surface:
    """A triangle mesh.

    ``vertices_mm`` (n, 3) float32; ``faces`` (m, 3) int32, anticlockwise seen from outside; ``vertex`` maps names of
    :data:`VERTEX_ATTRIBUTES` to (n,) arrays; ``face`` names of :data:`FACE_ATTRIBUTES` to (m,) arrays. Of a surface
    that fills memory any of them may be a :class:`Column`; what takes such a surface says so.
    """

    vertices_mm: np.ndarray
    faces: np.ndarray
    vertex: dict = field(default_factory=dict)
    face: dict = field(default_factory=dict)


def face_normals(surface):
    """Area vectors, (m, 3) float64: direction of each face's outside, length twice its area in mm2."""
    a, b, c = (surface.vertices_mm[surface.faces[:, at]].astype(np.float64) for at in range(3))
    return np.cross(b - a, c - a)


@njit(cache=True)
def areas_of(vertices_mm, faces):
    """Area of each of some faces of a surface, (m,) float64 mm2."""
    areas = np.empty(len(faces))
    for face in range(len(faces)):
        a, b, c = faces[face]
        x, y, z = np.float64(vertices_mm[a, 0]), np.float64(vertices_mm[a, 1]), np.float64(vertices_mm[a, 2])
        ux, uy, uz = vertices_mm[b, 0] - x, vertices_mm[b, 1] - y, vertices_mm[b, 2] - z
        vx, vy, vz = vertices_mm[c, 0] - x, vertices_mm[c, 1] - y, vertices_mm[c, 2] - z
        areas[face] = np.sqrt((uy * vz - uz * vy) ** 2 + (uz * vx - ux * vz) ** 2 + (ux * vy - uy * vx) ** 2) / 2
    return areas


def face_areas(surface):
    """Area of each face, (m,) float64 mm2."""
    return areas_of(surface.vertices_mm, surface.faces)


def area_mm2(surface):
    """Area of the whole surface in mm2; the column of the faces may lie on disk."""
    return sum(float(areas_of(surface.vertices_mm, surface.faces[rows]).sum()) for rows in spans(len(surface.faces)))


def keep_faces(surface, keep):
    """The surface of the faces that ``keep``, (m,) bool, selects, without the vertices that none of them uses.

    To save memory the vertex attributes go over: ``surface`` has none any more.
    """
    faces = kept(surface.faces, keep)
    used = in_use(faces, len(surface.vertices_mm))
    renumber(faces, np.cumsum(used, dtype=np.int32) - 1)
    return replace(
        surface,
        vertices_mm=surface.vertices_mm[used],
        faces=faces,
        vertex={name: surface.vertex.pop(name)[used] for name in list(surface.vertex)},
        face={name: values[keep] for name, values in surface.face.items()},
    )


# Loops of their own: NumPy turns int32 rows into int64 before it takes them, six times a vertex's memory.


@njit(cache=True)
def kept(faces, keep):
    """A copy of the faces that ``keep``, (m,) bool, selects."""
    chosen = np.empty((np.sum(keep), 3), np.int32)
    at = 0
    for face in range(len(faces)):
        if keep[face]:
            for k in range(3):
                chosen[at, k] = faces[face, k]
            at += 1
    return chosen


@njit(cache=True)
def in_use(faces, vertex_count):
    """Which vertices any face uses, (n,) bool."""
    used = np.zeros(vertex_count, np.bool_)
    mark(faces, used)
    return used


@njit(cache=True)
def mark(faces, used):
    """Set ``used``, (n,) bool, for every vertex of the faces."""
    for face in range(len(faces)):
        for k in range(3):
            used[faces[face, k]] = True


@njit(cache=True)
def renumber(faces, number):
    """Let the faces name their vertices by new numbers, (n,), in place."""
    for face in range(len(faces)):
        for k in range(3):
            faces[face, k] = number[faces[face, k]]


@dataclass(frozen=True)
class Column:
    """A column of a file of records, of which only what is asked for is read: ``column[10:20]``, ``column[rows]`` with
    ``rows`` (k,) int in any order, ``column[:]``.
    """

    path: Path
    name: str
    record: np.dtype
    offset: int
    count: int

    def __len__(self):
        return self.count

    def __getitem__(self, rows):
        kind, shape = self.record[self.name].base, self.record[self.name].shape
        if isinstance(rows, slice):
            start, stop, step = rows.indices(self.count)
            if step != 1:
                raise ValueError("a column is read without gaps")
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

    def records(self, start, count):
        """So many records of the file, with all its columns."""
        at = self.offset + start * self.record.itemsize
        return np.fromfile(self.path, self.record, count, offset=at)

    def _read(self, start, count):
        return self.records(start, count)[self.name]


def store(folder, kinds, blocks):
    """Files in ``folder``, one a column, by name :class:`Column`.

    ``kinds``: by name, what a row is as NumPy's type, ``"<f4"``, or as type and shape, ``("<f4", 3)``; ``blocks``: an
    iterable of mappings of the columns.
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


def block(columns, rows):
    """The rows of a slice of some columns, a dict of arrays or of :class:`Column`; a file is read once for all."""
    read, values = {}, {}
    for name, column in columns.items():
        if isinstance(column, Column):
            source = column.path, column.offset
            if source not in read:
                read[source] = column.records(rows.start, rows.stop - rows.start)
            values[name] = read[source][column.name]
        else:
            values[name] = column[rows]
    return values


def spans(count):
    """Slices of at most :data:`ROWS` rows that cover ``count``, in order."""
    return [slice(start, min(start + ROWS, count)) for start in range(0, count, ROWS)]


def write_ply(path, surface, comments=()):
    """Write a binary little-endian PLY with all attributes; units and frame belong in ``comments``."""
    vertex = {"xyz": surface.vertices_mm} | surface.vertex
    face = {"vertex_indices": surface.faces} | surface.face
    stream_ply(path, Rows.of(vertex), Rows.of(face), comments)


@dataclass(frozen=True)
class Rows:
    """What is to be written of vertices or of faces, a block at a time.

    ``names`` of the columns: ``xyz`` (k, 3) or ``vertex_indices`` (k, 3) first, then attributes, (k,); ``blocks``: an
    iterable of dicts of the columns; ``count`` of rows in all of them.
    """

    names: tuple
    count: int
    blocks: Iterable

    @staticmethod
    def of(columns):
        """All rows of ``columns``, a dict of arrays or of :class:`Column`."""
        count = len(next(iter(columns.values())))
        blocks = (block(columns, rows) for rows in spans(count))
        return Rows(tuple(columns), count, blocks)


def stream_ply(path, vertex, face, comments=()):
    """Write what :func:`write_ply` does from :class:`Rows` of vertices and of faces, asked for one after the other."""
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


def _vertex_record(attributes):
    return np.dtype([("xyz", "<f4", 3), *((name, VERTEX_ATTRIBUTES[name]) for name in attributes)])


def _face_record(attributes):
    names = ((name, FACE_ATTRIBUTES[name]) for name in attributes)
    return np.dtype([("corners", "u1"), ("vertex_indices", "<i4", 3), *names])


def _write_rows(file, record, rows):
    written = 0
    for columns in rows.blocks:
        block = np.empty(len(columns[rows.names[0]]), record)
        if "corners" in record.names:
            block["corners"] = 3
        for name in rows.names:
            block[name] = columns[name]
        block.tofile(file)
        written += len(block)
    if written != rows.count:
        raise ValueError(f"{file.name}: {rows.count} rows were announced, {written} came")


def open_ply(path):
    """A surface that :func:`write_ply` wrote, whose columns are all read on demand, as :class:`Column`."""
    path = Path(path)
    with open(path, "rb") as file:
        header = ply_header.read(file)
    counts = {element.name: element.count for element in header.elements}
    attributes = {element.name: [declared.name for declared in element.properties] for element in header.elements}
    offset = header.offset
    vertex, face = _vertex_record(attributes["vertex"][3:]), _face_record(attributes["face"][1:])
    behind = offset + counts["vertex"] * vertex.itemsize
    if path.stat().st_size != behind + counts["face"] * face.itemsize:
        raise ValueError(f"{path} is cut short or was not written here")
    vertex = {name: Column(path, name, vertex, offset, counts["vertex"]) for name in vertex.names}
    face = {name: Column(path, name, face, behind, counts["face"]) for name in face.names if name != "corners"}
    return Surface(vertex.pop("xyz"), face.pop("vertex_indices"), vertex, face)


def read_ply(path):
    """A surface that :func:`write_ply` wrote, all of it in memory."""
    lazy = open_ply(path)
    vertex, face = ({name: column[:] for name, column in columns.items()} for columns in (lazy.vertex, lazy.face))
    return Surface(lazy.vertices_mm[:], lazy.faces[:], vertex, face)
