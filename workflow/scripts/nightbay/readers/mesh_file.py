"""Reads a whole mesh, vertices and triangles: PLY, OBJ or STL."""

import tempfile
from pathlib import Path

import numpy as np

from nightbay.core.errors import Rejected
from nightbay.readers import bounded, obj, ply, stl

FORMATS = (".ply", ".obj", ".stl")


def read(path: Path, name: str) -> tuple[np.ndarray, np.ndarray]:
    """Vertices (n, 3) float64 in the file's units and triangles (m, 3) int64, read in a process of its own.

    STL has three vertices for each face. ``name``: name of the file in messages. Raises :class:`Rejected` for a file
    that is not of its format, is damaged or incomplete, has no faces, or has a coordinate that is no number.
    """
    with tempfile.TemporaryDirectory() as scratch:
        arguments = {"path": str(path.resolve()), "name": name, "folder": scratch}
        bounded.call(f"{__name__}:store", path, name, arguments)
        return np.load(Path(scratch) / "xyz.npy"), np.load(Path(scratch) / "faces.npy")


def store(path: str, name: str, folder: str) -> dict[str, int]:
    """Read a mesh in this process and leave ``xyz.npy`` and ``faces.npy`` in a folder; returns the number of each."""
    xyz, faces = read_here(Path(path), name)
    np.save(Path(folder) / "xyz.npy", xyz)
    np.save(Path(folder) / "faces.npy", faces)
    return {"vertices": len(xyz), "faces": len(faces)}


def read_here(path: Path, name: str) -> tuple[np.ndarray, np.ndarray]:
    """What :func:`read` returns, read in this process."""
    kind = path.suffix.lower()
    if kind not in FORMATS:
        raise Rejected(f"{name}: a mesh is needed, as PLY, OBJ or STL, and '{kind}' is none of them: export it as one.")
    if path.stat().st_size == 0:
        raise Rejected(f"{name} is empty (0 bytes): copy or export it again.")
    if kind == ".stl":
        xyz = np.concatenate([block.xyz for block in stl.blocks(path, name)])
        faces = np.arange(len(xyz), dtype=np.int64).reshape(-1, 3)
    else:
        xyz, faces = (ply if kind == ".ply" else obj).read_mesh(path, name)
    if not len(faces):
        raise Rejected(f"{name} holds points and no faces: export a mesh of triangles.")
    if not np.isfinite(xyz).all():
        raise Rejected(f"{name} holds a coordinate that is no number: it was damaged, export it again.")
    return xyz, faces
