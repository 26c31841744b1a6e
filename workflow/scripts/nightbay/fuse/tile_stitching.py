"""One surface of the patches of all tiles: vertices by name, quads cut into triangles.

The patches lie in files, one a tile, and go from there to files of the surface's columns. In memory are the vertices'
places and normals, 15 bytes each, and the names of the vertices of some tiles.
"""

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numba import njit

from nightbay.meshes import surface

SAME = 0.02  # difference of mean cosines that noise and small curvature make
TILES = 512  # whose names are kept at hand: more than a slice through a vehicle of 2 by 2.5 m takes at 1 mm
PLACED = {"xyz_mm": ("<f4", 3), "normal": ("i1", 3)}  # of a vertex, beside its attributes
PARTINGS = 4  # rounds: of three vertices in one place the two that are moved alike are still together after the first


@dataclass(frozen=True)
class Patches:
    """Files of the patches of all tiles in ``folder``; ``tiles`` (t, 3) int64, in ascending order."""

    folder: Path
    tiles: np.ndarray

    def __len__(self):
        return len(self.tiles)

    def save(self, number, patch, vertex):
        """Keep what one tile adds: its :class:`Patch`, and a dict of arrays of its own vertices."""
        names = {name: getattr(patch, name) for name in ("key", "quads", "foreign_tile", "foreign_key")}
        np.savez(self._path(number), **names, **vertex)

    def load(self, number):
        """What was saved of a tile, by name; arrays are read as they are asked for."""
        return np.load(self._path(number))

    def _path(self, number):
        return self.folder / f"{number}.npz"


def join(patches, names, least_mm):
    """The surface of all ``patches``, with the vertex attributes ``names``; vertices no nearer to each other than about
    ``least_mm`` along an edge. Its columns are files in the patches' folder."""
    counts = [len(patches.load(number)["key"]) for number in range(len(patches))]
    quads = resolve(patches, np.cumsum([0, *counts]))
    kinds = PLACED | {name: surface.VERTEX_ATTRIBUTES[name] for name in names}
    vertex = surface.store(patches.folder, kinds, (patches.load(number) for number in range(len(patches))))
    vertices, normals = vertex.pop("xyz_mm")[:], vertex.pop("normal")[:]
    spans = surface.spans(len(quads))
    for _ in range(PARTINGS):
        if not sum(part(vertices, quads[rows], least_mm) for rows in spans):
            break
    faces = ({"faces": triangles(vertices, normals, quads[rows])} for rows in spans)
    faces = surface.store(patches.folder, {"faces": ("<i4", 3)}, faces)["faces"]
    parted = surface.store(patches.folder, {"xyz_mm": PLACED["xyz_mm"]}, [{"xyz_mm": vertices}])["xyz_mm"]
    return surface.Surface(parted, faces, vertex)


def resolve(patches, first):
    """Quads of all ``patches`` with rows into one list of vertices, (m, 4), as a column of a file in their folder.

    ``first`` (t + 1,): row of the first vertex of each tile.
    """
    rank = {tuple(index): number for number, index in enumerate(patches.tiles.tolist())}

    @lru_cache(TILES)
    def key_of(number):
        return patches.load(number)["key"]

    def blocks():
        for number in range(len(patches)):
            with patches.load(number) as one:
                quads, tile, key = one["quads"], patches.tiles[number] + one["foreign_tile"], one["foreign_key"]
            owner = np.array([rank[tuple(index)] for index in tile.tolist()], np.int64)
            rows = np.empty(len(key), np.int64)
            for other in np.unique(owner).tolist():
                mine, known = owner == other, key_of(other)
                at = np.searchsorted(known, key[mine])
                if not np.array_equal(known[np.minimum(at, len(known) - 1)] if len(known) else at - 1, key[mine]):
                    raise RuntimeError("a tile names a vertex that its neighbour does not have")
                rows[mine] = first[other] + at
            table = np.concatenate([rows[::-1], np.arange(first[number], first[number + 1])]).astype(np.int32)
            yield {"quads": table[quads + len(rows)]}

    return surface.store(patches.folder, {"quads": ("<i4", 4)}, blocks())["quads"]


@njit(cache=True)
def part(vertices, quads, least_mm):
    """Move vertices apart, in place, that lie nearer together than ``least_mm`` along a side of a quad: the later one
    goes five times as far towards the middle of the quad. Returns how many were moved."""
    moved = 0
    way = np.empty(3)
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
                way[m] = -4.0 * vertices[q, m]
                for corner in range(4):
                    way[m] += vertices[quads[i, corner], m]
            length = np.sqrt((way * way).sum())
            for m in range(3):
                vertices[q, m] += way[m] / max(length, least_mm) * 5 * least_mm
            moved += 1
    return moved


@njit(cache=True)
def _fit(vertices, normals, a, b, c, d):
    """How well the two triangles abc and acd lie along the normals of their vertices: mean cosine, -1..1, and the
    squared length of their diagonal. Vertices on creases have no normal and no say; a triangle of no area fits not at
    all."""
    total, heard = 0.0, 0
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
            heard += 1
            total += along / (127 * double) if double > 0 else -1.0
    length = 0.0
    for k in range(3):
        length += (np.float64(vertices[c, k]) - vertices[a, k]) ** 2
    return (total / heard if heard else 0.0), length


@njit(cache=True)
def triangles(vertices, normals, quads):
    """Faces (2 n, 3) int32 of quads (n, 4), each cut along the diagonal that lies better along the vertices'
    ``normals``, (m, 3) int8 of length 127 or zero; along the shorter one where that makes no odds (``SAME``)."""
    faces = np.empty((2 * len(quads), 3), np.int32)
    for i in range(len(quads)):
        a, b, c, d = quads[i, 0], quads[i, 1], quads[i, 2], quads[i, 3]
        along, long = _fit(vertices, normals, a, b, c, d)
        across, short = _fit(vertices, normals, b, c, d, a)
        if across > along + SAME or (across >= along - SAME and short < long):
            a, b, c, d = b, c, d, a
        faces[2 * i, 0], faces[2 * i, 1], faces[2 * i, 2] = a, b, c
        faces[2 * i + 1, 0], faces[2 * i + 1, 1], faces[2 * i + 1, 2] = a, c, d
    return faces
