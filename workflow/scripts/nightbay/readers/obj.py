"""Reads the vertices of an OBJ mesh; its faces give them their normals.

The file is read twice, first for the vertices, then for the faces, so that no faces are held in memory.
"""

import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from nightbay.core.errors import Rejected
from nightbay.readers import mesh, rows
from nightbay.readers.block import MOST, Block, colour_of

CHUNK = 1 << 23  # bytes of text read at a time
WIDTHS = (3, 4, 6)  # numbers a vertex: x y z, with w, or with r g b
VERTEX, FACE = (b"v ", b"v\t"), (b"f ", b"f\t")  # beginnings of lines
DIGITS = b"0123456789+-"  # what whole numbers are written with; int takes more


def blocks(path: Path, name: str) -> Iterator[Block]:
    """Yield the blocks of an OBJ file's vertices, with colour where the vertices have it (x y z r g b).

    Raises :class:`Rejected` for a file that is no OBJ mesh or damaged, and for a face of a vertex that is not there.
    """
    tables, faces = _vertices(path, name)
    coloured = all(table.shape[1] == 6 for table in tables)
    xyz = np.concatenate([table[:, :3] for table in tables])
    colour = np.concatenate([colour_of(table[:, 3:6], name) for table in tables]) if coloured else None
    tables.clear()
    normal = _normals(path, name, xyz) if faces else None
    for start in range(0, len(xyz), MOST):
        piece = slice(start, start + MOST)
        yield Block(
            xyz[piece],
            normal[piece] if normal is not None else None,
            colour[piece] if colour is not None else None,
            first=start + 1,
        )


def read_mesh(path: Path, name: str) -> tuple[np.ndarray, np.ndarray]:
    """Vertices (n, 3) float64 in the file's units and triangles (m, 3) int64 of an OBJ mesh, none of a cloud.

    Raises :class:`Rejected` as :func:`blocks` does.
    """
    tables, _ = _vertices(path, name)
    xyz = np.concatenate([table[:, :3] for table in tables])
    faces = np.concatenate([np.empty((0, 3), np.int64), *_faces(path, name)])
    mesh.check(faces, len(xyz), name)
    return xyz, faces


def _vertices(path: Path, name: str) -> tuple[list[np.ndarray], bool]:
    """Tables of the vertices, (k, 3, 4 or 6) float64 each, and whether the file has faces."""
    tables, faces, count = [], False, 0
    for lines in _chunks(path, name):
        vertices = [line[1:] for line in lines if line[:2] in VERTEX]
        faces = faces or any(line[:2] in FACE for line in lines)
        if vertices:
            tables.append(_table(vertices, name, count))
            count += len(vertices)
    if not count:
        raise Rejected(
            f"{name} holds no vertices (no line begins with 'v'), so it is not an OBJ mesh: export it again."
        )
    return tables, faces


def _faces(path: Path, name: str) -> Iterator[np.ndarray]:
    """Triangles (m, 3) int64 of some of the file's faces at a time."""
    count = 0  # vertices before
    for lines in _chunks(path, name):
        vertices = count + np.cumsum([line[:2] in VERTEX for line in lines])
        at = [row for row, line in enumerate(lines) if line[:2] in FACE]
        if at:
            yield _triangles([lines[row][1:] for row in at], vertices[at], name)
        count = int(vertices[-1])


def _normals(path: Path, name: str, xyz: np.ndarray) -> np.ndarray:
    """Area-weighted normal of every vertex of ``xyz`` (n, 3), as float32; zero where no face uses it."""
    from nightbay.readers import face_normals

    normal, first = np.zeros(xyz.shape), 0
    for faces in _faces(path, name):
        mesh.check(faces, len(xyz), name, first)
        face_normals.add(normal, xyz, faces)
        first += len(faces)
    return mesh.unit(normal)


def _chunks(path: Path, name: str) -> Iterator[list[bytes]]:
    """Yield the lines of some :data:`CHUNK` bytes at a time."""
    rest = b""
    with open(path, "rb") as file:
        while chunk := file.read(CHUNK):
            if b"\0" in chunk:
                raise Rejected(f"{name} is not text, so it is not an OBJ mesh: export it again.")
            text, ended, rest = (rest + chunk).rpartition(b"\n")
            if ended:
                yield text.split(b"\n")
            elif len(rest) > CHUNK:
                raise Rejected(
                    f"{name} has a line of {len(rest)} bytes or more, so it is not an OBJ mesh: export it again."
                )
    yield rest.split(b"\n")


def _table(lines: list[bytes], name: str, count: int) -> np.ndarray:
    """Numbers of vertices, (k, 3, 4 or 6) float64, of which ``count`` come before in the file."""
    width = len(lines[0].split())
    try:
        table = rows.numbers(lines)
        if width < 3 or table.shape[1] not in WIDTHS:
            raise ValueError(f"{width} values")
        return table
    except ValueError as error:
        at = next((row for row, line in enumerate(lines) if not _is_vertex(line, width)), 0)
        raise Rejected(
            f"{name}: vertex {count + at + 1} is '{lines[at].decode('ascii', 'replace').strip()[:60]}', which is not a "
            "point: it was cut short or damaged, copy or export it again."
        ) from error


def _is_vertex(line: bytes, width: int) -> bool:
    words = line.split()
    try:
        return len(words) == width and width in WIDTHS and all(np.isfinite(float(word)) for word in words)
    except ValueError:
        return False


def _triangles(lines: list[bytes], before: np.ndarray, name: str) -> np.ndarray:
    """Triangles (m, 3) int64 from face lines, before each of which the file has so many vertices, (k,).

    A corner is 'vertex/texture/normal'; its vertex counts from 1, or backwards from the last one if negative.
    """
    words = [line.split() for line in re.sub(rb"/\S*", b"", b"\n".join(lines)).split(b"\n")]
    lengths = np.array([len(row) for row in words])
    try:
        if any(word.translate(None, DIGITS) for row in words for word in row):
            raise ValueError("letters")
        corners = np.array([int(word) for row in words for word in row], np.int64)
    except (ValueError, OverflowError) as error:
        raise Rejected(
            f"{name} holds a face that is not numbers of vertices: it was damaged, export it again."
        ) from error
    if lengths.min() < 3 or lengths.max() > mesh.MOST_CORNERS:
        raise Rejected(
            f"{name} holds a face with {lengths.min() if lengths.min() < 3 else lengths.max()} corners; 3 to "
            f"{mesh.MOST_CORNERS} are allowed: it was cut short or damaged, copy or export it again."
        )
    last = np.repeat(before, lengths)
    return mesh.fans(np.where(corners > 0, corners - 1, np.where(corners < 0, corners + last, -1)), lengths)
