"""Outlines of a surface in planes: where a plane cuts the triangles, joined to oriented polylines.

A face is visited only by planes that reach the box of its neighbours in the file, :data:`CHUNK` faces at a time: faces
that follow each other lie side by side, as fuse writes them. Parallel planes share one look at a face. On faces in
random order every plane visits all of them, and the result is the same.

Own code instead of trimesh's sections: ``tests/bench/measure_sections.py`` compares time, memory and lengths.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numba
import numpy as np

from nightbay.meshes.surface import Surface, block, spans
from nightbay.sections.plane import Plane

Kind = TypeVar("Kind", bound=Plane)
CHUNK = 512  # faces whose common box is compared with a plane first
MARGIN = 1e-9  # of a coordinate: what rounding may add to the distance of a box


@dataclass(frozen=True)
class Outline:
    """A polyline of a section: ``points_mm`` (k, 2), coordinates in the plane.

    ``filled``: its faces were not measured; ``closed``: it ends where it begins; ``number``: of the outline in its
    section. An outline that is measured in part and filled in part consists of several of these, of one number, in
    their order along it, and each holds the end points that it shares with its neighbours. Seen from the side of the
    plane's normal the material is to the left, so that the outer outline of a solid runs anticlockwise.
    """

    points_mm: np.ndarray
    filled: bool
    closed: bool
    number: int


@dataclass(frozen=True)
class Crossings:
    """Faces that cross planes: number of the ``plane``, (c,) int; the edges of the surface in which its line enters and
    leaves the face, ``edges`` (c, 2) int64, the lower vertex times the number of vertices plus the higher; which are
    ``filled``, (c,) bool."""

    plane: np.ndarray
    edges: np.ndarray
    filled: np.ndarray


def through(surface: Surface, planes: Sequence[Kind]) -> list[tuple[Kind, list[Outline]]]:
    """The outlines of a surface in each of some planes.

    ``surface``: vertices in memory, faces in memory or on disk: they are read once, block by block.
    """
    if not planes:
        return []
    found = _crossings(surface, planes)
    order = np.argsort(found.plane, kind="stable")
    bounds = np.searchsorted(found.plane[order], np.arange(len(planes) + 1))
    return [
        (plane, _outlines(surface.vertices_mm, found.edges[rows], found.filled[rows], plane))
        for plane, rows in zip(planes, np.split(order, bounds[1:-1]), strict=True)
    ]


def _crossings(surface: Surface, planes: Sequence[Plane]) -> Crossings:
    """Where the faces cross planes, in the order of the faces."""
    normals = np.array([plane.normal for plane in planes])
    offsets = np.array([plane.point_mm @ plane.normal for plane in planes])
    directions, family = np.unique(normals, axis=0, return_inverse=True)
    order = np.lexsort([offsets, family.ravel()])
    starts = np.searchsorted(family.ravel()[order], np.arange(len(directions) + 1))
    columns = {"faces": surface.faces} | surface.face
    parts = [Crossings(np.empty(0, np.int64), np.empty((0, 2), np.int64), np.empty(0, bool))]
    for rows in spans(len(surface.faces)):
        some = block(columns, rows)
        faces = np.ascontiguousarray(some["faces"])
        filled = some.get("filled", np.zeros(len(faces), np.uint8))
        face, at, edges = _cross(surface.vertices_mm, faces, directions, starts, offsets[order])
        parts.append(Crossings(order[at], edges, filled[face].astype(bool)))
    return Crossings(
        np.concatenate([part.plane for part in parts]),
        np.concatenate([part.edges for part in parts]),
        np.concatenate([part.filled for part in parts]),
    )


@numba.njit(cache=True)
def _cross(vertices, faces, directions, starts, offsets):
    """Rows of ``faces`` and of ``offsets``, (c,) each, that cross, and the edges of :class:`Crossings`, (c, 2).

    ``directions`` (d, 3): normals; the planes of direction i have the ``offsets`` from ``starts[i]`` to
    ``starts[i + 1]``, ascending. A vertex in a plane counts as above it: a face is cut in no or in two edges.
    """
    room, count, total = 1024, 0, np.int64(len(vertices))
    face, plane, edges = np.empty(room, np.int64), np.empty(room, np.int64), np.empty((room, 2), np.int64)
    near, begin, end = np.empty((3, len(directions)), np.int64)
    for first in range(0, len(faces), CHUNK):
        last = min(first + CHUNK, len(faces))
        # the directions with planes that reach the box of the chunk, and which planes
        low, high = _box(vertices, faces[first:last])
        reached = 0
        for number in range(len(directions)):
            normal = directions[number]
            centre, reach = (normal * (low + high)).sum() / 2, (np.abs(normal) * (high - low)).sum() / 2
            reach += MARGIN * (abs(centre) + reach + 1.0)
            own = offsets[starts[number] : starts[number + 1]]
            begin[reached] = starts[number] + np.searchsorted(own, centre - reach)
            end[reached] = starts[number] + np.searchsorted(own, centre + reach, side="right")
            if begin[reached] < end[reached]:
                near[reached] = number
                reached += 1
        if reached == 0:
            continue
        for row in range(first, last):
            u, v, w = vertices[faces[row, 0]], vertices[faces[row, 1]], vertices[faces[row, 2]]
            for number in range(reached):
                a, b, c = directions[near[number]]
                p = a * np.float64(u[0]) + b * np.float64(u[1]) + c * np.float64(u[2])
                q = a * np.float64(v[0]) + b * np.float64(v[1]) + c * np.float64(v[2])
                r = a * np.float64(w[0]) + b * np.float64(w[1]) + c * np.float64(w[2])
                lowest, highest = min(p, q, r), max(p, q, r)
                at, beyond = begin[number], end[number]
                if offsets[at] > highest or offsets[beyond - 1] <= lowest:
                    continue
                while at < beyond:  # to the first plane above the lowest corner
                    middle = (at + beyond) // 2
                    if offsets[middle] <= lowest:
                        at = middle + 1
                    else:
                        beyond = middle
                while at < end[number] and offsets[at] <= highest:
                    if count == room:
                        room *= 2
                        face, plane = _longer(face, room), _longer(plane, room)
                        edges = np.concatenate((edges, np.empty_like(edges)))
                    # the corner alone on its side: the line crosses the two edges that meet there
                    above = (p >= offsets[at], q >= offsets[at], r >= offsets[at])
                    lone = 0 if above[1] == above[2] else 1 if above[0] == above[2] else 2
                    corner, after, before = faces[row, lone], faces[row, (lone + 1) % 3], faces[row, (lone + 2) % 3]
                    enter, leave = (after, before) if above[lone] else (before, after)
                    face[count], plane[count] = row, at
                    edges[count, 0] = np.int64(min(corner, enter)) * total + max(corner, enter)
                    edges[count, 1] = np.int64(min(corner, leave)) * total + max(corner, leave)
                    count += 1
                    at += 1
    return face[:count].copy(), plane[:count].copy(), edges[:count].copy()


@numba.njit(cache=True)
def _box(vertices, faces):
    """The lowest and the highest coordinates of the faces' corners, (3,) each."""
    low, high = np.full(3, np.inf), np.full(3, -np.inf)
    for row in range(len(faces)):
        for corner in range(3):
            for axis in range(3):
                value = np.float64(vertices[faces[row, corner], axis])
                low[axis], high[axis] = min(low[axis], value), max(high[axis], value)
    return low, high


@numba.njit(cache=True)
def _longer(values, room):
    longer = np.empty(room, values.dtype)
    longer[: len(values)] = values
    return longer


def _outlines(vertices_mm: np.ndarray, edges: np.ndarray, filled: np.ndarray, plane: Plane) -> list[Outline]:
    """The outlines of the faces that cross a plane, from their ``edges`` (c, 2) and marks (c,)."""
    if not len(edges):
        return []
    unique, node = np.unique(edges, return_inverse=True)
    points = plane.in_plane(_nodes(vertices_mm, unique, plane))
    links, starts = _walk(node.reshape(edges.shape), len(unique))
    node = node.reshape(edges.shape)
    outlines = []
    for number, (first, last) in enumerate(zip(starts[:-1], starts[1:], strict=True), 1):
        chain = links[first:last]
        closed = bool(node[chain[0], 0] == node[chain[-1], 1])
        marks = filled[chain]
        change = np.flatnonzero(np.diff(marks.astype(np.int8)))
        if closed and len(change):  # begins where a measured stretch begins
            begin = int(change[~marks[change + 1]][0] + 1) if (~marks[change + 1]).any() else 0
            chain, marks = np.roll(chain, -begin), np.roll(marks, -begin)
            change = np.flatnonzero(np.diff(marks.astype(np.int8)))
        for piece in np.split(chain, change + 1):
            along = np.append(node[piece, 0], node[piece[-1], 1])
            outlines.append(Outline(points[along], bool(filled[piece[0]]), closed and not len(change), number))
    return outlines


def _nodes(vertices_mm: np.ndarray, edges: np.ndarray, plane: Plane) -> np.ndarray:
    """Points (k, 3) float64, mm, in which edges (k,) of the surface, as in :class:`Crossings`, cross the plane."""
    total = len(vertices_mm)
    a, b = (vertices_mm[index].astype(np.float64) for index in (edges // total, edges % total))
    above, below = ((end - plane.point_mm) @ plane.normal for end in (a, b))
    apart = above - below
    share = np.divide(above, apart, out=np.zeros_like(apart), where=apart != 0.0)
    return a + np.clip(share, 0.0, 1.0)[:, None] * (b - a)


@numba.njit(cache=True)
def _walk(links, count):
    """Numbers of the ``links`` (m, 2), each from a node to a node of ``count``, along all polylines, one after another;
    and where each polyline starts, with the end of the last.

    Open polylines come first, then closed ones, which return to their start. Where the surface is not manifold a node
    may have many links: each is used once.
    """
    head, following = np.full(count, -1, np.int64), np.full(len(links), -1, np.int64)
    surplus = np.zeros(count, np.int64)
    for at in range(len(links) - 1, -1, -1):
        node = links[at, 0]
        following[at] = head[node]
        head[node] = at
        surplus[node] += 1
        surplus[links[at, 1]] -= 1
    order, starts, filled = np.empty(len(links), np.int64), [0], 0
    for ends_only in (True, False):
        for start in range(count):
            while head[start] >= 0 and (not ends_only or surplus[start] > 0):
                surplus[start] -= 1
                node = start
                while head[node] >= 0:
                    at = head[node]
                    head[node] = following[at]
                    order[filled] = at
                    filled += 1
                    node = links[at, 1]
                starts.append(filled)
    return order, np.array(starts)
