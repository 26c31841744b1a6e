"""A surface without some of its faces, written without a copy of it in memory."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numba import njit

from nightbay.meshes import surface


@dataclass(frozen=True)
class TrimmedSurface:
    """A surface, ``whole``, whose columns may lie on disk, and what is removed from it.

    ``removed`` (m,) bool: faces that are removed; ``changed`` (k,) ascending: faces that have other vertices, with
    their ``corners`` (k, 3) int32; ``copied`` (d,): vertices that have a copy, which are the rows n, n + 1 and so on.
    Vertices that no face uses are left out when it is written.
    """

    whole: surface.Surface
    removed: np.ndarray
    changed: np.ndarray
    corners: np.ndarray
    copied: np.ndarray

    @property
    def vertex_count(self) -> int:
        """Number of vertices of the surface and of copies."""
        return len(self.whole.vertices_mm) + len(self.copied)

    @property
    def face_count(self) -> int:
        """Number of faces that stay."""
        return int(np.count_nonzero(~self.removed))

    def faces(self, rows: slice) -> np.ndarray:
        """All faces of a slice with their new vertices, (k, 3) int32, including those that are removed."""
        faces = self.whole.faces[rows]
        first, end = np.searchsorted(self.changed, (rows.start, rows.stop))
        if first < end:
            faces = np.array(faces)
            faces[self.changed[first:end] - rows.start] = self.corners[first:end]
        return faces

    def blocks(self) -> Iterator[np.ndarray]:
        """The faces that stay, (k, 3) int32, block by block."""
        for rows in surface.spans(len(self.removed)):
            yield surface.kept(self.faces(rows), ~self.removed[rows])

    def write(self, path: Path, comments: Sequence[str] = ()) -> None:
        """Write the faces that stay as :func:`nightbay.meshes.surface.write_ply` does."""
        used = np.zeros(self.vertex_count, bool)
        for faces in self.blocks():
            surface.mark(faces, used)
        number = np.cumsum(used, dtype=np.int32)
        number -= 1
        names = ("xyz", *self.whole.vertex)
        vertex = surface.Rows(names, int(used.sum()), self._vertex_blocks(used))
        blocks = ({"vertex_indices": _renumbered(faces, number)} for faces in self.blocks())
        surface.stream_ply(path, vertex, surface.Rows(("vertex_indices",), self.face_count, blocks), comments)

    def _vertex_blocks(self, used):
        columns = {"xyz": self.whole.vertices_mm} | self.whole.vertex
        for rows in surface.spans(len(self.whole.vertices_mm)):
            yield {name: values[used[rows]] for name, values in surface.block(columns, rows).items()}
        copies = self.copied[used[len(self.whole.vertices_mm) :]]
        yield {name: column[copies] for name, column in columns.items()}


def _renumbered(faces, number):
    surface.renumber(faces, number)
    return faces


def remove_specks(left: TrimmedSurface, least_area_mm2: float) -> tuple[TrimmedSurface, int, float]:
    """The surface without its pieces smaller than ``least_area_mm2``; their number and their area in mm2."""
    piece = np.arange(left.vertex_count, dtype=np.int32)
    for faces in left.blocks():
        _join_pieces(piece, faces)
    area = np.zeros(_number_pieces(piece))
    vertices = np.concatenate([left.whole.vertices_mm[:], left.whole.vertices_mm[left.copied]])
    for faces in left.blocks():
        _add_areas(area, piece, faces, surface.areas_of(vertices, faces))
    del vertices
    speck = (area > 0) & (area < least_area_mm2)
    removed = left.removed.copy()
    for rows in surface.spans(len(removed)):
        removed[rows] |= speck[piece[left.faces(rows)[:, 0]]]
    return replace(left, removed=removed), int(speck.sum()), float(area[speck].sum())


@njit(cache=True)
def _join_pieces(parent, faces):
    """Join the pieces of the corners of each face; the smallest vertex row names a piece."""
    for i in range(len(faces)):
        for k in range(2):
            a, b = faces[i, k], faces[i, k + 1]
            while parent[a] != a:
                parent[a] = parent[parent[a]]
                a = parent[a]
            while parent[b] != b:
                parent[b] = parent[parent[b]]
                b = parent[b]
            if a < b:
                parent[b] = a
            else:
                parent[a] = b


@njit(cache=True)
def _number_pieces(parent):
    """Number the pieces in order of their smallest vertex row, in place; returns how many there are."""
    count = 0
    for vertex in range(len(parent)):
        if parent[vertex] == vertex:
            parent[vertex] = count
            count += 1
        else:
            parent[vertex] = parent[parent[vertex]]  # a smaller row, which has its number already
    return count


@njit(cache=True)
def _add_areas(area, piece, faces, of_face):
    for face in range(len(faces)):
        area[piece[faces[face, 0]]] += of_face[face]
