"""What is left of a surface when faces are taken from it, without a copy of it."""

from dataclasses import dataclass

import numpy as np
from numba import njit

from nightbay.meshes import surface


@dataclass(frozen=True)
class Cut:
    """A surface, ``whole``, whose columns may lie on disk, and what goes of it.

    ``gone`` (m,) bool: faces that go; ``changed`` (k,) ascending: faces that have other vertices, ``corners`` (k, 3)
    int32; ``doubled`` (d,): vertices that got a copy, which are the rows n, n + 1 and so on. Vertices that no face uses
    go when it is written.
    """

    whole: surface.Surface
    gone: np.ndarray
    changed: np.ndarray
    corners: np.ndarray
    doubled: np.ndarray

    @property
    def vertex_count(self):
        """Of the surface and of the copies."""
        return len(self.whole.vertices_mm) + len(self.doubled)

    @property
    def face_count(self):
        """Of the faces that stay."""
        return int(np.count_nonzero(~self.gone))

    def faces(self, rows):
        """All faces of a slice, also those that go, with their new vertices, (k, 3) int32."""
        faces = self.whole.faces[rows]
        first, end = np.searchsorted(self.changed, (rows.start, rows.stop))
        if first < end:
            faces = np.array(faces)
            faces[self.changed[first:end] - rows.start] = self.corners[first:end]
        return faces

    def blocks(self):
        """The faces that stay, (k, 3) int32, block by block."""
        for rows in surface.spans(len(self.gone)):
            yield surface.kept(self.faces(rows), ~self.gone[rows])

    def write(self, path, comments=()):
        """Write what is left."""
        used = np.zeros(self.vertex_count, bool)
        for faces in self.blocks():
            surface.mark(faces, used)
        number = np.cumsum(used, dtype=np.int32)
        number -= 1
        names = ("xyz", *self.whole.vertex)
        vertex = surface.Rows(names, int(used.sum()), self._vertex_blocks(used))
        faces = ({"vertex_indices": _renumbered(faces, number)} for faces in self.blocks())
        surface.stream_ply(path, vertex, surface.Rows(("vertex_indices",), self.face_count, faces), comments)

    def _vertex_blocks(self, used):
        columns = {"xyz": self.whole.vertices_mm} | self.whole.vertex
        for rows in surface.spans(len(self.whole.vertices_mm)):
            yield {name: values[used[rows]] for name, values in surface.block(columns, rows).items()}
        copies = self.doubled[used[len(self.whole.vertices_mm) :]]
        yield {name: column[copies] for name, column in columns.items()}


def _renumbered(faces, number):
    surface.renumber(faces, number)
    return faces


def without_specks(cut, least_area_mm2):
    """``(Cut, n, area_mm2)``: the cut surface without its n pieces smaller than ``least_area_mm2``, and their area."""
    piece = np.arange(cut.vertex_count, dtype=np.int32)
    for faces in cut.blocks():
        _unite(piece, faces)
    area = np.zeros(_number_pieces(piece))
    vertices = np.concatenate([cut.whole.vertices_mm[:], cut.whole.vertices_mm[cut.doubled]])
    for faces in cut.blocks():
        _add_areas(area, piece, faces, surface.areas_of(vertices, faces))
    del vertices
    speck = (area > 0) & (area < least_area_mm2)
    gone = cut.gone.copy()
    for rows in surface.spans(len(gone)):
        gone[rows] |= speck[piece[cut.faces(rows)[:, 0]]]
    return Cut(cut.whole, gone, cut.changed, cut.corners, cut.doubled), int(speck.sum()), float(area[speck].sum())


@njit(cache=True)
def _unite(parent, faces):
    """Join the pieces of the corners of each face; a piece goes by its smallest vertex row."""
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
    """Number the pieces in order of their smallest vertex row, in place; returns how many they are."""
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
