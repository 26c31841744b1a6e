"""Reads a whole mesh, vertices and triangles: PLY, OBJ or STL."""

import tempfile
from pathlib import Path

import numpy as np

from nightbay.core.errors import Rejected
from nightbay.core.units import FARTHEST_MM
from nightbay.readers import bounded, obj, ply, stl

FORMATS = (".ply", ".obj", ".stl")
VERTICES, FACES = "vertices.npy", "faces.npy"


def read(path: Path, name: str) -> tuple[np.ndarray, np.ndarray]:
    """Vertices (n, 3) float64 in the file's units and triangles (m, 3) int64, read in a process of its own.

    STL has three vertices for each face. ``name``: name of the file in messages. Raises :class:`Rejected` for a file
    that is not of its format, is damaged or incomplete, has no faces, has a coordinate that is no number or too large,
    or takes more to be read than it may.
    """
    with tempfile.TemporaryDirectory(prefix="nightbay-") as folder:
        bounded.call(f"{__name__}:leave", path, name, {"path": str(path), "name": name, "folder": folder})
        return np.load(Path(folder, VERTICES)), np.load(Path(folder, FACES))


def leave(path: str, name: str, folder: str) -> None:
    """Read a mesh as :func:`read` does, in this process, and leave its two arrays in ``folder``."""
    with np.errstate(over="ignore", invalid="ignore"):  # what is not finite is refused in the end
        xyz, faces = _arrays(Path(path), name)
    np.save(Path(folder, VERTICES), xyz)
    np.save(Path(folder, FACES), faces)


def _arrays(path: Path, name: str) -> tuple[np.ndarray, np.ndarray]:
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
    if not (np.abs(xyz) <= FARTHEST_MM).all():
        raise Rejected(
            f"{name} holds a coordinate that is no number or larger than {FARTHEST_MM:g}: it was damaged, export it "
            "again."
        )
    return xyz, faces
