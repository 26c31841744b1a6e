"""Reads the vertices of an OBJ mesh; its faces give them their normals."""

import re

import numpy as np

from nightbay.core.errors import Rejected
from nightbay.readers import mesh
from nightbay.readers.block import MOST, Block, colour_of

CHUNK = 1 << 26  # bytes of text read at a time


def blocks(path, name):
    """Yield :class:`Block` of an OBJ file's vertices, with colour where they carry it (x y z r g b)."""
    rows, corners = _read(path, name)
    if not rows:
        raise Rejected(
            f"{name} holds no vertices (no line begins with 'v'), so it is not an OBJ mesh: export it again."
        )
    widths = {table.shape[1] for table in rows}
    coloured = widths == {6}
    xyz = np.concatenate([table[:, :3] for table in rows])
    colour = colour_of(np.concatenate([table[:, 3:6] for table in rows])) if coloured else None
    del rows
    normal = None
    if corners:
        normal, first = np.zeros(xyz.shape), 0
        for faces in corners:
            mesh.check(faces, len(xyz), name, first)
            mesh.add_normals(normal, xyz, faces)
            first += len(faces)
        normal = mesh.unit(normal)
    for start in range(0, len(xyz), MOST):
        piece = slice(start, start + MOST)
        yield Block(
            xyz[piece],
            normal[piece] if normal is not None else None,
            colour[piece] if coloured else None,
            first=start + 1,
        )


def _read(path, name):
    """Tables of vertices, (k, 3 or more) float64, and of triangles, (m, 3) int64 from 0, piece by piece."""
    rows, corners, count, rest = [], [], 0, b""
    with open(path, "rb") as file:
        while chunk := file.read(CHUNK):
            if b"\0" in chunk:
                raise Rejected(f"{name} is not text, so it is not an OBJ mesh: export it again.")
            text, _, rest = (rest + chunk).rpartition(b"\n")
            count = _take(text, name, rows, corners, count)
        _take(rest, name, rows, corners, count)
    return rows, corners


def _take(text, name, rows, corners, count):
    """Add what the lines of ``text`` hold; returns how many vertices there are now."""
    lines = text.split(b"\n")
    vertices = [line[1:] for line in lines if line[:2] in (b"v ", b"v\t")]
    if vertices:
        rows.append(_table(vertices, name, count))
        count += len(vertices)
    faces = [line[1:] for line in lines if line[:2] in (b"f ", b"f\t")]
    if faces:
        corners.append(_triangles(faces, name, count))
    return count


def _table(lines, name, count):
    width = len(lines[0].split())
    try:
        table = np.loadtxt(lines, np.float64, ndmin=2)
        if width < 3 or table.shape[1] not in (3, 4, 6):
            raise ValueError(f"{width} values")
        return table
    except ValueError as error:
        at = next((row for row, line in enumerate(lines) if not _is_vertex(line, width)), 0)
        raise Rejected(
            f"{name}: vertex {count + at + 1} is '{lines[at].decode('ascii', 'replace').strip()[:60]}', which is no "
            "point: it was cut short or damaged, copy or export it again."
        ) from error


def _is_vertex(line, width):
    words = line.split()
    try:
        return len(words) == width and width in (3, 4, 6) and all(np.isfinite(float(word)) for word in words)
    except ValueError:
        return False


def _triangles(lines, name, count):
    """Triangles from face lines; a corner is 'vertex/texture/normal', counted from 1, or backwards if negative."""
    try:
        polygons = [[int(word) for word in re.sub(rb"/\S*", b"", line).split()] for line in lines]
    except ValueError as error:
        raise Rejected(
            f"{name} holds a face that is not numbers of vertices: it was damaged, export it again."
        ) from error
    corners = min(len(face) for face in polygons)
    if corners < 3:
        raise Rejected(
            f"{name} holds a face with {corners} corners; at least 3 are needed: it was cut short or damaged, copy or "
            "export it again."
        )
    faces = mesh.fans(polygons)
    return np.where(faces > 0, faces - 1, np.where(faces < 0, faces + count, -1))
