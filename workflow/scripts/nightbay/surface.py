"""Surfaces: triangle meshes with what is known of every vertex and every face, and their PLY files."""

from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import plyfile
from numba import njit

# attribute of a vertex or face -> PLY type it is stored as
VERTEX_ATTRIBUTES = {
    "count": "<f4",  # measured points that bear on the vertex, by weight
    "spread_mm": "<f4",  # standard deviation of those points along the normal
    "confidence": "<f4",  # 0 (made up) .. 1
    "red": "u1",
    "green": "u1",
    "blue": "u1",
}
ROWS = 1_000_000  # that are put together at a time to be written
FACE_ATTRIBUTES = {"filled": "u1"}  # 0 measured, 1 made up by fill


@dataclass(frozen=True)
class Surface:
    """A triangle mesh.

    ``vertices_mm`` (n, 3) float32; ``faces`` (m, 3) int32, anticlockwise seen from outside; ``vertex`` maps names of
    :data:`VERTEX_ATTRIBUTES` to (n,) arrays; ``face`` names of :data:`FACE_ATTRIBUTES` to (m,) arrays.
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
def _areas(vertices_mm, faces):
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
    return _areas(surface.vertices_mm, surface.faces)


def area_mm2(surface):
    """Area of the whole surface in mm2."""
    return float(face_areas(surface).sum())


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
            chosen[at] = faces[face]
            at += 1
    return chosen


@njit(cache=True)
def in_use(faces, vertex_count):
    """Which vertices any face uses, (n,) bool."""
    used = np.zeros(vertex_count, np.bool_)
    for face in range(len(faces)):
        for k in range(3):
            used[faces[face, k]] = True
    return used


@njit(cache=True)
def renumber(faces, number):
    """Let the faces name their vertices by new numbers, (n,), in place."""
    for face in range(len(faces)):
        for k in range(3):
            faces[face, k] = number[faces[face, k]]


def write_ply(path, surface, comments=()):
    """Write a binary little-endian PLY with all attributes; units and frame belong in ``comments``."""
    vertex = {name: surface.vertices_mm[:, axis] for axis, name in enumerate("xyz")} | surface.vertex
    types = [(name, VERTEX_ATTRIBUTES.get(name, "<f4")) for name in vertex]
    kinds = {"<f4": "float", "u1": "uchar"}
    lines = ["ply", "format binary_little_endian 1.0", *(f"comment {text}" for text in comments)]
    lines += [f"element vertex {len(surface.vertices_mm)}"]
    lines += [f"property {kinds[kind]} {name}" for name, kind in types]
    lines += [f"element face {len(surface.faces)}", "property list uchar int vertex_indices"]
    lines += [f"property {kinds[FACE_ATTRIBUTES[name]]} {name}" for name in surface.face]
    face_types = [
        ("n", "u1"), ("vertex_indices", "<i4", 3), *((name, FACE_ATTRIBUTES[name]) for name in surface.face)
    ]  # fmt: skip
    face = {"vertex_indices": surface.faces} | surface.face
    with open(path, "wb") as file:
        file.write(("\n".join([*lines, "end_header"]) + "\n").encode("ascii"))
        _write_rows(file, np.dtype(types), vertex, len(surface.vertices_mm))
        _write_rows(file, np.dtype(face_types), face | {"n": np.uint8(3)}, len(surface.faces))


def _write_rows(file, dtype, columns, count):
    """Write structured records, a block at a time; a column is an array of ``count`` rows or one value for all."""
    for start in range(0, count, ROWS):
        block = np.empty(min(ROWS, count - start), dtype)
        for name, values in columns.items():
            block[name] = values if np.ndim(values) == 0 else values[start : start + ROWS]
        block.tofile(file)


def read_ply(path):
    """Read a surface that :func:`write_ply` wrote."""
    ply = plyfile.PlyData.read(str(Path(path)), known_list_len={"face": {"vertex_indices": 3}})
    vertex, face = ply["vertex"].data, ply["face"].data
    return Surface(
        np.column_stack([vertex[name] for name in "xyz"]),
        np.array(face["vertex_indices"], np.int32),
        {name: np.array(vertex[name]) for name in VERTEX_ATTRIBUTES if name in vertex.dtype.names},
        {name: np.array(face[name]) for name in FACE_ATTRIBUTES if name in face.dtype.names},
    )
