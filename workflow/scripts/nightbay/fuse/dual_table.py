"""How a surface passes through one cell of a grid: the tables of :mod:`nightbay.fuse.dual_contouring`.

They are computed at import.

A cell has eight corners, ``corner = x + 2 y + 4 z``, and a configuration, one bit a corner, set where the corner lies
inside. Its twelve edges are numbered ``4 axis + o1 + 2 o2`` with o1, o2 the edge's offsets along the next two axes in
cyclic order. Where the surface crosses an edge, it leaves the cell through the two faces that meet there; the crossings
of a cell form one to four closed loops, and each loop becomes one vertex (a dual contour).

On a face whose corners alternate the crossings can be paired in two ways. Pairing by inside corners is the rule; both
cells of a face follow it, so neighbours always agree. If that rule makes one loop pass such a face twice in both of its
cells, four quads would meet at one edge, and the other pairing is taken for that face, which splits the loop in both
cells (R. Wenger, Isosurfaces, 2013, on manifold dual contouring; value from memory: at most one such face a
configuration, asserted by a unit test).
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

EDGES = 12


def _edge(corner_a: int, corner_b: int) -> int:
    axis = int(corner_a ^ corner_b).bit_length() - 1
    offset = [(corner_a >> k) & 1 for k in range(3)]
    return 4 * axis + offset[(axis + 1) % 3] + 2 * offset[(axis + 2) % 3]


def _face_corners(face: int) -> list[int]:
    """Corners of face ``2 axis + side`` in anticlockwise order seen from outside the cell."""
    axis, side = divmod(face, 2)
    ring = [(0, 0), (1, 0), (1, 1), (0, 1)] if side else [(0, 1), (1, 1), (1, 0), (0, 0)]
    return [(side << axis) + (o1 << (axis + 1) % 3) + (o2 << (axis + 2) % 3) for o1, o2 in ring]


def successors(configuration: int, flipped_face: int = -1) -> list[int]:
    """For each edge the next crossing of its loop, -1 where the surface does not cross it.

    ``flipped_face``: a face that is paired the other way, -1 for none.
    """
    following = [-1] * EDGES
    for face in range(6):
        corners = _face_corners(face)
        inside = [(configuration >> corner) & 1 for corner in corners]
        pairs = []
        for k in range(4):
            if inside[k] and not inside[(k + 1) % 4]:
                j = k
                while inside[j - 1]:
                    j = (j - 1) % 4
                pairs.append((_edge(corners[k], corners[(k + 1) % 4]), _edge(corners[j - 1], corners[j])))
        if face == flipped_face:
            (a, b), (c, d) = pairs
            pairs = [(a, d), (c, b)]
        for leaving, entering in pairs:
            following[leaving] = entering
    return following


def loops(following: Sequence[int]) -> list[list[int]]:
    """The loops of a cell, each a list of edges in the order of passing."""
    found: list[list[int]] = []
    seen: set[int] = set()
    for start in range(EDGES):
        if following[start] >= 0 and start not in seen:
            loop = [start]
            while following[loop[-1]] != start:
                loop.append(following[loop[-1]])
            seen.update(loop)
            found.append(loop)
    return found


def twice_passed_face(configuration: int) -> int:
    """The face that one loop passes twice, or -1."""
    found = -1
    for face in range(6):
        corners = _face_corners(face)
        edges = {_edge(corners[k], corners[(k + 1) % 4]) for k in range(4)}
        if any(edges <= set(loop) for loop in loops(successors(configuration))):
            found = face
    return found


# Face of each configuration that one loop passes twice, -1 where there is none.
TWICE = np.array([twice_passed_face(c) for c in range(256)], np.int8)
_AMBIGUOUS = np.flatnonzero(TWICE >= 0)
# Row of each configuration in NEXT with its twice-passed face paired the other way, -1 where there is none.
ALTERNATIVE = np.full(256, -1, np.int64)
ALTERNATIVE[_AMBIGUOUS] = 256 + np.arange(len(_AMBIGUOUS))
# For each edge of a cell the next crossing of its loop, -1 where there is none: rows 0..255 by the rule, then the
# alternatives.
NEXT = np.array(
    [successors(c) for c in range(256)] + [successors(c, int(TWICE[c])) for c in _AMBIGUOUS.tolist()],
    np.int8,
)


def _edge_offsets() -> np.ndarray:
    """Offsets of each edge's lower corner from the cell's, (12, 3) int64."""
    low = np.zeros((EDGES, 3), np.int64)
    for edge in range(EDGES):
        low[edge, (edge // 4 + 1) % 3] = edge & 1
        low[edge, (edge // 4 + 2) % 3] = (edge >> 1) & 1
    return low


class LoopTable(NamedTuple):
    """The tables as the kernels read them: ``following`` (:data:`NEXT`), ``twice`` (:data:`TWICE`), ``alternative``
    (:data:`ALTERNATIVE`), and of each edge of a cell its ``axis`` (12,) and its ``low`` corner's offsets (12, 3)."""

    following: np.ndarray
    twice: np.ndarray
    alternative: np.ndarray
    axis: np.ndarray
    low: np.ndarray


TABLE = LoopTable(NEXT, TWICE, ALTERNATIVE, np.arange(EDGES) // 4, _edge_offsets())
