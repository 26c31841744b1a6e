"""Reads the vertices of an OBJ mesh; its faces give them their normals."""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from nightbay.core.errors import Rejected
from nightbay.readers import mesh
from nightbay.readers.block import MOST, Block, colour_of

CHUNK = 1 << 26  # bytes of text read at a time
WIDTHS = (3, 4, 6)  # numbers a vertex: x y z, with w, or with r g b


@dataclass
class _Mesh:
    """What was read of a file: tables of vertices, (k, 3 or more) float64, and of triangles, (m, 3) int64 from 0."""

    vertices: list[np.ndarray] = field(default_factory=list)
    triangles: list[np.ndarray] = field(default_factory=list)
    count: int = 0  # vertices


def blocks(path: Path, name: str) -> Iterator[Block]:
    """Yield the blocks of an OBJ file's vertices, with colour where the vertices have it (x y z r g b).

    Raises :class:`Rejected` for a file that is no OBJ mesh or damaged, and for a face of a vertex that is not there.
    """
    found = _read(path, name)
    coloured = all(table.shape[1] == 6 for table in found.vertices)
    xyz = np.concatenate([table[:, :3] for table in found.vertices])
    colour = colour_of(np.concatenate([table[:, 3:6] for table in found.vertices])) if coloured else None
    found.vertices.clear()
    normal = _normals(xyz, found.triangles, name) if found.triangles else None
    for start in range(0, len(xyz), MOST):
        rows = slice(start, start + MOST)
        yield Block(
            xyz[rows],
            normal[rows] if normal is not None else None,
            colour[rows] if colour is not None else None,
            first=start + 1,
        )


def read_mesh(path: Path, name: str) -> tuple[np.ndarray, np.ndarray]:
    """Vertices (n, 3) float64 in the file's units and triangles (m, 3) int64 of an OBJ mesh, none of a cloud.

    Raises :class:`Rejected` as :func:`blocks` does.
    """
    found = _read(path, name)
    faces = np.concatenate([np.empty((0, 3), np.int64), *found.triangles])
    mesh.check(faces, found.count, name)
    return np.concatenate([table[:, :3] for table in found.vertices]), faces


def _normals(xyz: np.ndarray, triangles: list[np.ndarray], name: str) -> np.ndarray:
    """Area-weighted normal of every vertex, (n, 3) float32, zero where no face uses it."""
    normal, first = np.zeros(xyz.shape), 0
    for faces in triangles:
        mesh.check(faces, len(xyz), name, first)
        mesh.add_normals(normal, xyz, faces)
        first += len(faces)
    return mesh.unit(normal)


def _read(path: Path, name: str) -> _Mesh:
    found, rest = _Mesh(), b""
    with open(path, "rb") as file:
        while chunk := file.read(CHUNK):
            if b"\0" in chunk:
                raise Rejected(f"{name} is not text, so it is not an OBJ mesh: export it again.")
            text, _, rest = (rest + chunk).rpartition(b"\n")
            _add_lines(found, text, name)
        _add_lines(found, rest, name)
    if not found.count:
        raise Rejected(
            f"{name} holds no vertices (no line begins with 'v'), so it is not an OBJ mesh: export it again."
        )
    return found


def _add_lines(found: _Mesh, text: bytes, name: str) -> None:
    """Add the vertices and faces of whole lines of text."""
    lines = text.split(b"\n")
    vertices = [line[1:] for line in lines if line[:2] in (b"v ", b"v\t")]
    if vertices:
        found.vertices.append(_table(vertices, name, found.count))
        found.count += len(vertices)
    faces = [line[1:] for line in lines if line[:2] in (b"f ", b"f\t")]
    if faces:
        found.triangles.append(_triangles(faces, name, found.count))


def _table(lines: list[bytes], name: str, count: int) -> np.ndarray:
    """Numbers of vertices, (k, 3, 4 or 6) float64, of which ``count`` come before in the file."""
    width = len(lines[0].split())
    try:
        table = np.loadtxt(lines, np.float64, ndmin=2)
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


def _triangles(lines: list[bytes], name: str, count: int) -> np.ndarray:
    """Triangles (m, 3) int64 from face lines, after ``count`` vertices.

    A corner is 'vertex/texture/normal'; its vertex counts from 1, or backwards from the last one if negative.
    """
    try:
        polygons = [[int(word) for word in re.sub(rb"/\S*", b"", line).split()] for line in lines]
    except ValueError as error:
        raise Rejected(
            f"{name} holds a face that is not numbers of vertices: it was damaged, export it again."
        ) from error
    corners = min(len(polygon) for polygon in polygons)
    if corners < 3:
        raise Rejected(
            f"{name} holds a face with {corners} corners; at least 3 are needed: it was cut short or damaged, copy or "
            "export it again."
        )
    faces = mesh.fans(polygons)
    return np.where(faces > 0, faces - 1, np.where(faces < 0, faces + count, -1))
