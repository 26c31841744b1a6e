"""Writers of surfaces in open formats: STL, OBJ, GLB. The same surface gives the same bytes; no file holds a date.

PLY is written by ``surface.py``. Sources: the STL layout is common practice without a standard (value from memory);
Wavefront OBJ by its published specification of 1995 (from memory); glTF 2.0, Khronos Group, ISO/IEC 12113:2022.

Own writers instead of trimesh's, which also give the same bytes each time, because they need less: a surface of 552 959
faces, best of three runs, took 0.15 s of CPU time against 0.23 s as STL and 0.06 s against 0.53 s as GLB with two
materials, and 94 MB of memory on top against 370 MB, and 77 MB against 456 MB.
"""

import json
import shutil
import struct
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from nightbay.core.colour import light_of
from nightbay.meshes import surface, vertices
from nightbay.meshes.surface import Surface

ROWS = 500_000  # rows formatted at once
STL_RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
FLOAT, UNSIGNED_INT, VERTICES, INDICES = 5126, 5125, 34962, 34963  # constants of glTF
MILLIMETRES_A_METRE = 1000.0
# Colours of the two materials, linear RGBA: a light grey, and the vermilion of Okabe and Ito's palette, which also
# differs in lightness.
MATERIALS = {"measured": [0.57, 0.60, 0.63, 1.0], "filled": [0.665, 0.112, 0.0, 1.0]}
# z up to y up: a quarter turn about x. A vehicle frame has z up, glTF has y up.
Z_UP_TO_Y_UP = [-0.7071067811865476, 0.0, 0.0, 0.7071067811865476]


def copy_ply(source: Path, target: Path, comments: Sequence[str]) -> None:
    """Copy a PLY file with other comments, ASCII, in its header."""
    with open(source, "rb") as old, open(target, "wb") as new:
        for line in iter(old.readline, b"end_header\n"):
            if not line.startswith(b"comment"):
                new.write(line)
            if line.startswith(b"format"):
                new.writelines(f"comment {text}\n".encode("ascii") for text in comments)
        new.write(b"end_header\n")
        shutil.copyfileobj(old, new)


def write_stl(path: Path, mesh: Surface, comment: str) -> None:
    """Binary STL, coordinates as they are; ``comment`` is its header.

    Raises ValueError for a comment of more than 80 characters, or one that makes readers take the file for text.
    """
    if comment.startswith("solid") or len(comment) > 80:
        raise ValueError(f"STL header {comment!r}: it must have at most 80 characters and not begin with solid")
    with open(path, "wb") as file:
        file.write(comment.encode("ascii").ljust(80) + struct.pack("<I", len(mesh.faces)))
        for start in range(0, len(mesh.faces), ROWS):
            faces = mesh.faces[start : start + ROWS]
            normal = surface.face_normals(Surface(mesh.vertices_mm, faces))
            length = np.linalg.norm(normal, axis=1, keepdims=True)
            record = np.zeros(len(faces), STL_RECORD)
            record["normal"] = np.divide(normal, length, out=np.zeros_like(normal), where=length > 0)
            record["corners"] = mesh.vertices_mm[faces]
            record.tofile(file)


def write_obj(path: Path, mesh: Surface, comments: Sequence[str]) -> None:
    """Wavefront OBJ with groups ``measured`` and ``filled``; coordinates in mm, rounded to micrometres."""
    filled = _filled(mesh)
    with open(path, "w", encoding="ascii", newline="\n") as file:
        file.writelines(f"# {text}\n" for text in comments)
        for start in range(0, len(mesh.vertices_mm), ROWS):
            rows = mesh.vertices_mm[start : start + ROWS].astype(np.float64)
            file.write("v %.3f %.3f %.3f\n" * len(rows) % tuple(rows.ravel().tolist()))
        for name, select in (("measured", ~filled), ("filled", filled)):
            faces = mesh.faces[select].astype(np.int64) + 1
            if len(faces):
                file.write(f"g {name}\n")
            for start in range(0, len(faces), ROWS):
                rows = faces[start : start + ROWS]
                file.write("f %d %d %d\n" * len(rows) % tuple(rows.ravel().tolist()))


def write_glb(path: Path, mesh: Surface, name: str, extras: Mapping[str, str], z_up: bool = True) -> None:
    """Binary glTF 2.0 in metres; measured and filled faces are primitives of their own.

    ``extras``: what a reader should know (units, frame), kept in the asset. ``z_up``: rotate the node so that y is
    up, as the standard requires; false where the axes are unknown.
    """
    filled = _filled(mesh)
    position = (mesh.vertices_mm.astype(np.float64) / MILLIMETRES_A_METRE).astype(np.float32)
    normal = vertices.normals_of_all(mesh.vertices_mm, mesh.faces).astype(np.float32)
    normal[~normal.any(axis=1)] = (0, 0, 1)  # unused vertices: a normal must have length 1
    blocks: list[tuple[str, np.ndarray]] = [("POSITION", position), ("NORMAL", normal)]
    if "red" in mesh.vertex:
        blocks.append(("COLOR_0", _linear_colours(mesh)))
    groups = [(label, mesh.faces[rows]) for label, rows in (("measured", ~filled), ("filled", filled)) if rows.any()]
    document, chunks = _gltf(name, extras, blocks, groups)
    if z_up:
        document["nodes"][0]["rotation"] = Z_UP_TO_Y_UP
    text = json.dumps(document, separators=(",", ":"), sort_keys=True).encode()
    text += b" " * (-len(text) % 4)
    size = sum(chunk.nbytes for chunk in chunks)
    with open(path, "wb") as file:
        file.write(struct.pack("<4sII", b"glTF", 2, 12 + 8 + len(text) + 8 + size))
        file.write(struct.pack("<I4s", len(text), b"JSON") + text + struct.pack("<I4s", size, b"BIN\0"))
        for chunk in chunks:
            chunk.tofile(file)


def _linear_colours(mesh: Surface) -> np.ndarray:
    """Colours of the vertices, (n, 3) float32, as linear light, which glTF wants.

    A byte has too few steps for dark light, and trimesh 5.2 reads 16-bit colours by their lower byte.
    """
    linear = light_of(np.arange(256)).astype(np.float32)
    return np.column_stack([linear[mesh.vertex[channel]] for channel in ("red", "green", "blue")])


class Buffer:
    """The arrays of a glTF buffer, all of them multiples of four bytes, with their views and accessors."""

    def __init__(self) -> None:
        """An empty buffer."""
        self.chunks: list[np.ndarray] = []
        self.views: list[dict[str, Any]] = []
        self.accessors: list[dict[str, Any]] = []
        self.size = 0

    def add(self, values: np.ndarray, target: int, accessor: Mapping[str, Any]) -> int:
        """Append an array for a ``target`` (:data:`VERTICES`, :data:`INDICES`); returns the number of its accessor."""
        self.accessors.append({"bufferView": len(self.views), "byteOffset": 0, **accessor})
        self.views.append({"buffer": 0, "byteOffset": self.size, "byteLength": values.nbytes, "target": target})
        self.chunks.append(values)
        self.size += values.nbytes
        return len(self.accessors) - 1

    def add_attribute(self, name: str, values: np.ndarray) -> int:
        """Append an attribute of the vertices, (n, 3) float32."""
        accessor: dict[str, Any] = {"componentType": FLOAT, "count": len(values), "type": "VEC3"}
        if name == "POSITION":
            accessor |= {"min": values.min(axis=0).tolist(), "max": values.max(axis=0).tolist()}
        return self.add(values, VERTICES, accessor)

    def add_faces(self, faces: np.ndarray) -> int:
        """Append faces, (m, 3)."""
        indices = np.ascontiguousarray(faces, np.uint32).ravel()
        accessor = {"componentType": UNSIGNED_INT, "count": len(indices), "type": "SCALAR"}
        return self.add(indices, INDICES, accessor)


def _gltf(
    name: str,
    extras: Mapping[str, str],
    blocks: Sequence[tuple[str, np.ndarray]],
    groups: Sequence[tuple[str, np.ndarray]],
) -> tuple[dict[str, Any], list[np.ndarray]]:
    """The glTF document and the arrays of its buffer; ``blocks``: attributes, ``groups``: faces, by name."""
    buffer = Buffer()
    attributes = {attribute: buffer.add_attribute(attribute, values) for attribute, values in blocks}
    primitives: list[dict[str, Any]] = []
    materials: list[dict[str, Any]] = []
    for label, faces in groups:
        own = attributes if label == "measured" else {k: v for k, v in attributes.items() if k != "COLOR_0"}
        primitives.append({"attributes": own, "indices": buffer.add_faces(faces), "material": len(materials)})
        materials.append(_material(label, coloured="COLOR_0" in own))
    return {
        "asset": {"version": "2.0", "generator": "Nightbay", "extras": extras},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0, "name": name}],
        "meshes": [{"name": name, "primitives": primitives}],
        "materials": materials,
        "accessors": buffer.accessors,
        "bufferViews": buffer.views,
        "buffers": [{"byteLength": buffer.size}],
    }, buffer.chunks


def _material(label: str, coloured: bool) -> dict[str, Any]:
    """The material of a group; white where the vertices have colours of their own."""
    base = [1.0, 1.0, 1.0, 1.0] if coloured else MATERIALS[label]
    pbr = {"baseColorFactor": base, "metallicFactor": 0.0, "roughnessFactor": 0.7}
    return {"name": label, "doubleSided": True, "pbrMetallicRoughness": pbr}


def _filled(mesh: Surface) -> np.ndarray:
    """Which faces are marked, (m,) bool; a surface without the mark has none that is filled."""
    return mesh.face.get("filled", np.zeros(len(mesh.faces), np.uint8)).astype(bool)
