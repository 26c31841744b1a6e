"""Tile stitching: one surface of the patches of all tiles, its vertices matched by key, its quads split into triangles.

The patches are read from files, one for each tile, and the surface's columns are written to files. Only the positions
and normals of the vertices, 15 bytes each, and the keys of the vertices of some tiles are in memory.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numba import njit

from nightbay.fuse.dual_contouring import Patch
from nightbay.meshes import surface

SAME_FIT = 0.02  # difference of mean cosines that noise and small curvature cause
# Tiles whose keys are kept in memory: more than a slice through a vehicle of 2 by 2.5 m takes at 1 mm.
CACHED_TILES = 512
POSITION, NORMAL = ("<f4", 3), ("i1", 3)  # how a vertex's columns are stored, beside its attributes
NORMAL_LENGTH = 127  # of a stored normal
# Rounds of separating vertices: if three coincide, the two that move alike still coincide after the first round.
SEPARATION_ROUNDS = 4


@dataclass(frozen=True)
class Patches:
    """Files of the patches of all tiles in ``folder``; ``tiles`` (t, 3) int64, in ascending order."""

    folder: Path
    tiles: np.ndarray

    def __len__(self) -> int:
        return len(self.tiles)

    def save(self, number: int, patch: Patch, vertex: dict[str, np.ndarray]) -> None:
        """Save the patch of a tile, and the arrays of its own vertices by name."""
        arrays: dict[str, Any] = {
            name: getattr(patch, name) for name in ("key", "quads", "foreign_tile", "foreign_key")
        }
        np.savez(self._path(number), **(arrays | vertex))

    def load(self, number: int) -> Any:
        """The saved arrays of a tile, by name (``numpy.lib.npyio.NpzFile``); an array is read when it is accessed."""
        return np.load(self._path(number))

    def _path(self, number: int) -> Path:
        return self.folder / f"{number}.npz"


def stitch(patches: Patches, attributes: tuple[str, ...], least_mm: float) -> surface.Surface:
    """The surface of all ``patches``, with the vertex ``attributes``.

    Vertices that share an edge are at least about ``least_mm`` apart. The columns are files in the patches' folder.
    """
    counts = [len(patches.load(number)["key"]) for number in range(len(patches))]
    quads = resolve_quads(patches, np.cumsum([0, *counts]))
    kinds = {"xyz_mm": POSITION, "normal": NORMAL} | {name: surface.VERTEX_ATTRIBUTES[name] for name in attributes}
    vertex = surface.store(patches.folder, kinds, (patches.load(number) for number in range(len(patches))))
    vertices, normals = vertex.pop("xyz_mm")[:], vertex.pop("normal")[:]
    spans = surface.spans(len(quads))
    for _ in range(SEPARATION_ROUNDS):
        if not sum(separate(vertices, quads[rows], least_mm) for rows in spans):
            break
    triangles = ({"faces": split_quads(vertices, normals, quads[rows])} for rows in spans)
    faces = surface.store(patches.folder, {"faces": ("<i4", 3)}, triangles)["faces"]
    positions = surface.store(patches.folder, {"xyz_mm": POSITION}, [{"xyz_mm": vertices}])["xyz_mm"]
    return surface.Surface(positions, faces, vertex)


def resolve_quads(patches: Patches, first: np.ndarray) -> surface.Column:
    """Quads of all ``patches`` with rows into one list of vertices, (m, 4), as a column of a file in their folder.

    ``first`` (t + 1,): row of the first vertex of each tile. Raises RuntimeError if a tile refers to a vertex that
    its neighbour does not have: the two were computed from different points, which is a defect of the program.
    """
    number_of = {tuple(index): number for number, index in enumerate(patches.tiles.tolist())}

    @lru_cache(CACHED_TILES)
    def keys_of(number: int) -> np.ndarray:
        return patches.load(number)["key"]

    def blocks() -> Iterator[dict[str, np.ndarray]]:
        for number in range(len(patches)):
            with patches.load(number) as saved:
                quads, tile, key = saved["quads"], patches.tiles[number] + saved["foreign_tile"], saved["foreign_key"]
            owner = np.array([number_of[tuple(index)] for index in tile.tolist()], np.int64)
            rows = _foreign_rows(owner, key, keys_of, first)
            table = np.concatenate([rows[::-1], np.arange(first[number], first[number + 1])]).astype(np.int32)
            yield {"quads": table[quads + len(rows)]}

    return surface.store(patches.folder, {"quads": ("<i4", 4)}, blocks())["quads"]


def _foreign_rows(
    owner: np.ndarray, key: np.ndarray, keys_of: Callable[[int], np.ndarray], first: np.ndarray
) -> np.ndarray:
    """Rows, (f,) int64, of the vertices with the keys ``key``, (f,), in the tiles ``owner``, (f,)."""
    rows = np.empty(len(key), np.int64)
    for other in np.unique(owner).tolist():
        asked, known = owner == other, keys_of(other)
        at = np.searchsorted(known, key[asked])
        if not np.array_equal(known[np.minimum(at, len(known) - 1)] if len(known) else at - 1, key[asked]):
            raise RuntimeError(f"a tile refers to a vertex that its neighbour, tile {other}, does not have")
        rows[asked] = first[other] + at
    return rows


@njit(cache=True)
def separate(vertices: np.ndarray, quads: np.ndarray, least_mm: float) -> int:
    """Move ``vertices``, (m, 3) float32 mm, apart that are nearer than ``least_mm`` along a side of a quad, in place.

    ``quads`` (n, 4) int32. The later of the two vertices moves by five times ``least_mm`` towards the centre of the
    quad. Returns the number of moves.
    """
    moved = 0
    towards = np.empty(3)
    for i in range(len(quads)):
        for k in range(4):
            p, q = quads[i, k], quads[i, (k + 1) % 4]
            apart = 0.0
            for m in range(3):
                apart += (np.float64(vertices[p, m]) - vertices[q, m]) ** 2
            if apart >= least_mm * least_mm:
                continue
            q = max(p, q)
            for m in range(3):
                towards[m] = -4.0 * vertices[q, m]
                for corner in range(4):
                    towards[m] += vertices[quads[i, corner], m]
            length = np.sqrt((towards * towards).sum())
            for m in range(3):
                vertices[q, m] += towards[m] / max(length, least_mm) * 5 * least_mm
            moved += 1
    return moved


@njit(cache=True)
def _fit_normals(vertices, normals, a, b, c, d):
    """How well the two triangles abc and acd lie along the normals of their vertices: mean cosine, -1..1, and the
    squared length of their diagonal. Vertices on creases have no normal and do not count; a triangle without area fits
    worst, -1."""
    total, corners = 0.0, 0
    for p, q, r in ((a, b, c), (a, c, d)):
        x, y, z = np.float64(vertices[p, 0]), np.float64(vertices[p, 1]), np.float64(vertices[p, 2])
        ux, uy, uz = vertices[q, 0] - x, vertices[q, 1] - y, vertices[q, 2] - z
        vx, vy, vz = vertices[r, 0] - x, vertices[r, 1] - y, vertices[r, 2] - z
        nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        double = np.sqrt(nx * nx + ny * ny + nz * nz)
        for corner in (p, q, r):
            along = nx * normals[corner, 0] + ny * normals[corner, 1] + nz * normals[corner, 2]
            if normals[corner, 0] == 0 and normals[corner, 1] == 0 and normals[corner, 2] == 0:
                continue
            corners += 1
            total += along / (NORMAL_LENGTH * double) if double > 0 else -1.0
    length = 0.0
    for k in range(3):
        length += (np.float64(vertices[c, k]) - vertices[a, k]) ** 2
    return (total / corners if corners else 0.0), length


@njit(cache=True)
def split_quads(vertices: np.ndarray, normals: np.ndarray, quads: np.ndarray) -> np.ndarray:
    """Split ``quads``, (n, 4) int32, into triangles, (2 n, 3) int32.

    Each is split along the diagonal whose triangles fit the ``normals`` of the ``vertices`` better, or along the
    shorter one if the fits differ by less than :data:`SAME_FIT`. ``vertices`` (m, 3) float32 mm; ``normals`` (m, 3)
    int8 of length 127 or zero.
    """
    faces = np.empty((2 * len(quads), 3), np.int32)
    for i in range(len(quads)):
        a, b, c, d = quads[i, 0], quads[i, 1], quads[i, 2], quads[i, 3]
        along, long = _fit_normals(vertices, normals, a, b, c, d)
        across, short = _fit_normals(vertices, normals, b, c, d, a)
        if across > along + SAME_FIT or (across >= along - SAME_FIT and short < long):
            a, b, c, d = b, c, d, a
        faces[2 * i, 0], faces[2 * i, 1], faces[2 * i, 2] = a, b, c
        faces[2 * i + 1, 0], faces[2 * i + 1, 1], faces[2 * i + 1, 2] = a, c, d
    return faces
