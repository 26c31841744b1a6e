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
    """The surface of the faces that ``keep``, (m,) bool, selects, without the vertices that none of them uses."""
    faces = surface.faces[keep]
    used = np.zeros(len(surface.vertices_mm), bool)
    used[faces.ravel()] = True
    renumber = np.cumsum(used, dtype=np.int32) - 1
    return replace(
        surface,
        vertices_mm=surface.vertices_mm[used],
        faces=renumber[faces],
        vertex={name: values[used] for name, values in surface.vertex.items()},
        face={name: values[keep] for name, values in surface.face.items()},
    )


def write_ply(path, surface, comments=()):
    """Write a binary little-endian PLY with all attributes; units and frame belong in ``comments``."""
    vertex = np.empty(
        len(surface.vertices_mm),
        [("x", "<f4"), ("y", "<f4"), ("z", "<f4"), *((name, VERTEX_ATTRIBUTES[name]) for name in surface.vertex)],
    )
    for axis, name in enumerate("xyz"):
        vertex[name] = surface.vertices_mm[:, axis]
    for name, values in surface.vertex.items():
        vertex[name] = values
    face = np.empty(
        len(surface.faces),
        [("n", "u1"), ("vertex_indices", "<i4", 3), *((name, FACE_ATTRIBUTES[name]) for name in surface.face)],
    )
    face["n"] = 3
    face["vertex_indices"] = surface.faces
    for name, values in surface.face.items():
        face[name] = values
    kinds = {"<f4": "float", "u1": "uchar"}
    lines = ["ply", "format binary_little_endian 1.0", *(f"comment {text}" for text in comments)]
    lines += [f"element vertex {len(vertex)}"]
    lines += [f"property {kinds[vertex.dtype[name].str.replace('|', '')]} {name}" for name in vertex.dtype.names]
    lines += [f"element face {len(face)}", "property list uchar int vertex_indices"]
    lines += [f"property {kinds[FACE_ATTRIBUTES[name]]} {name}" for name in surface.face]
    with open(path, "wb") as file:
        file.write(("\n".join([*lines, "end_header"]) + "\n").encode("ascii"))
        vertex.tofile(file)
        face.tofile(file)


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
