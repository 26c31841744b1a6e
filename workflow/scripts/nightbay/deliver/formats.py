"""Writers of surfaces in open formats: STL, OBJ, GLB. The same surface gives the same bytes; no file holds a date.

PLY is written by ``surface.py``. Sources: the STL layout is common practice without a standard (value from memory);
Wavefront OBJ by its published specification of 1995 (from memory); glTF 2.0, Khronos Group, ISO/IEC 12113:2022.
"""

import json
import shutil
import struct

import numpy as np

from nightbay.meshes import surface, vertices

ROWS = 500_000  # rows formatted at once
STL_RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
MILLIMETRES_A_METRE = 1000.0
# Colours of the two materials, linear RGBA: a light grey, and the vermilion of Okabe and Ito's palette, which also
# differs in lightness.
MATERIALS = {"measured": [0.57, 0.60, 0.63, 1.0], "filled": [0.665, 0.112, 0.0, 1.0]}
# z up to y up: a quarter turn about x. A vehicle frame has z up, glTF has y up.
Z_UP_TO_Y_UP = [-0.7071067811865476, 0.0, 0.0, 0.7071067811865476]


def copy_ply(source, target, comments):
    """Copy a PLY file with other comments in its header."""
    with open(source, "rb") as old, open(target, "wb") as new:
        for line in iter(old.readline, b"end_header\n"):
            if not line.startswith(b"comment"):
                new.write(line)
            if line.startswith(b"format"):
                new.writelines(f"comment {text}\n".encode("ascii") for text in comments)
        new.write(b"end_header\n")
        shutil.copyfileobj(old, new)


def write_stl(path, mesh, comment):
    """Binary STL, coordinates as they are; ``comment`` (at most 80 ASCII characters) is its header."""
    if comment.startswith("solid") or len(comment) > 80:
        raise ValueError(f"STL header {comment!r}: at most 80 characters, and not solid at their start")
    with open(path, "wb") as file:
        file.write(comment.encode("ascii").ljust(80) + struct.pack("<I", len(mesh.faces)))
        for start in range(0, len(mesh.faces), ROWS):
            faces = mesh.faces[start : start + ROWS]
            normal = surface.face_normals(surface.Surface(mesh.vertices_mm, faces))
            length = np.linalg.norm(normal, axis=1, keepdims=True)
            record = np.zeros(len(faces), STL_RECORD)
            record["normal"] = np.divide(normal, length, out=np.zeros_like(normal), where=length > 0)
            record["corners"] = mesh.vertices_mm[faces]
            record.tofile(file)


def write_obj(path, mesh, comments):
    """Wavefront OBJ with groups ``measured`` and ``filled``; micrometres are the last digit."""
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


def write_glb(path, mesh, name, extras, z_up=True):
    """Binary glTF 2.0 in metres; measured and filled faces are primitives of their own.

    ``extras``: what a reader should know (units, frame), kept in the asset. ``z_up``: turn the node so that y is up, as
    the standard has it; leave it where nothing is known of the axes.
    """
    filled = _filled(mesh)
    position = (mesh.vertices_mm.astype(np.float64) / MILLIMETRES_A_METRE).astype(np.float32)
    normal = vertices.normals_of_all(mesh.vertices_mm, mesh.faces).astype(np.float32)
    normal[~normal.any(axis=1)] = (0, 0, 1)  # unused vertices: a normal must have length 1
    blocks = [("POSITION", position), ("NORMAL", normal)]
    if "red" in mesh.vertex:
        colour = np.full((len(position), 4), 255, np.uint8)
        for at, channel in enumerate(("red", "green", "blue")):
            colour[:, at] = mesh.vertex[channel]
        blocks.append(("COLOR_0", colour))
    groups = [(label, mesh.faces[rows]) for label, rows in (("measured", ~filled), ("filled", filled)) if rows.any()]
    document, chunks = _gltf(name, extras, blocks, groups, colours="red" in mesh.vertex)
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


def _gltf(name, extras, blocks, groups, colours):
    """The glTF document and the arrays of its buffer, all of them multiples of four bytes."""
    views, accessors, chunks, offset = [], [], [], 0

    def add(values, target, accessor):
        nonlocal offset
        accessors.append({"bufferView": len(views), "byteOffset": 0, **accessor})
        views.append({"buffer": 0, "byteOffset": offset, "byteLength": values.nbytes, "target": target})
        chunks.append(values)
        offset += values.nbytes
        return len(accessors) - 1

    attributes = {}
    for attribute, values in blocks:
        accessor = {"componentType": 5126, "count": len(values), "type": "VEC3"}
        if attribute == "POSITION":
            accessor |= {"min": values.min(axis=0).tolist(), "max": values.max(axis=0).tolist()}
        if attribute == "COLOR_0":
            accessor = {"componentType": 5121, "count": len(values), "type": "VEC4", "normalized": True}
        attributes[attribute] = add(values, 34962, accessor)
    primitives, materials = [], []
    for label, faces in groups:
        indices = np.ascontiguousarray(faces, np.uint32).ravel()
        at = add(indices, 34963, {"componentType": 5125, "count": len(indices), "type": "SCALAR"})
        own = attributes if label == "measured" else {k: v for k, v in attributes.items() if k != "COLOR_0"}
        primitives.append({"attributes": own, "indices": at, "material": len(materials)})
        base = [1.0, 1.0, 1.0, 1.0] if colours and label == "measured" else MATERIALS[label]
        pbr = {"baseColorFactor": base, "metallicFactor": 0.0, "roughnessFactor": 0.7}
        materials.append({"name": label, "doubleSided": True, "pbrMetallicRoughness": pbr})
    return {
        "asset": {"version": "2.0", "generator": "Nightbay", "extras": extras},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0, "name": name}],
        "meshes": [{"name": name, "primitives": primitives}],
        "materials": materials,
        "accessors": accessors,
        "bufferViews": views,
        "buffers": [{"byteLength": offset}],
    }, chunks


def _filled(mesh):
    """Which faces are marked, (m,) bool; a surface without the mark has none that is made up."""
    return mesh.face.get("filled", np.zeros(len(mesh.faces), np.uint8)).astype(bool)
