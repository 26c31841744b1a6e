"""Outlines of a surface in planes: where a plane cuts the triangles, joined to polylines."""

from dataclasses import dataclass

import numba
import numpy as np

from nightbay.meshes.surface import block, spans


@dataclass(frozen=True)
class Outline:
    """One polyline of a section: ``points_mm`` (k, 2), the two coordinates in the plane; ``filled``: made up."""

    points_mm: np.ndarray
    filled: bool


def cut(surface, planes):
    """Outlines of the surface in each of some planes, a list of lists.

    ``surface``: a :class:`Surface`, vertices in memory, whose faces may lie on disk: they are read
    once, block by block. ``planes``: (axis, value mm) of those where coordinate axis (0, 1, 2) has that value. Measured
    and filled stretches are separate outlines; each holds the end points that it shares with its neighbour. The order
    depends on the faces' order alone.
    """
    crossed = [[] for _ in planes]
    columns = {"faces": surface.faces} | surface.face
    for rows in spans(len(surface.faces)):
        some = block(columns, rows)
        faces = np.ascontiguousarray(some["faces"])
        made_up = some.get("filled", np.zeros(len(faces), np.uint8)).astype(bool)
        for axis in {axis for axis, _ in planes}:
            mine = [number for number, plane in enumerate(planes) if plane[0] == axis]
            values = np.array([planes[number][1] for number in mine], np.float32)
            order = np.argsort(values, kind="stable")
            face, plane = _crossed(surface.vertices_mm, faces, axis, values[order])
            for at, number in enumerate(order):
                there = face[plane == at]
                crossed[mine[number]].append((faces[there], made_up[there]))
    cuts = []
    for (axis, value_mm), found in zip(planes, crossed, strict=True):
        faces = np.concatenate([some for some, _ in found] or [np.empty((0, 3), np.int32)])
        filled = np.concatenate([marks for _, marks in found] or [np.empty(0, bool)])
        cuts.append(_outlines(surface.vertices_mm, faces, filled, axis, value_mm))
    return cuts


@numba.njit(cache=True)
def _crossed(vertices, faces, axis, values):
    """Faces and those of ``values``, (k,) float32 ascending, that their corners' coordinates lie on both sides of: rows
    of faces and of values, (c,) each. A vertex in the plane counts as above it: a face is cut in no or in two edges."""
    face, plane = [np.int64(0) for _ in range(0)], [np.int64(0) for _ in range(0)]
    for row in range(len(faces)):
        a, b, c = vertices[faces[row, 0], axis], vertices[faces[row, 1], axis], vertices[faces[row, 2], axis]
        low, high = min(a, b, c), max(a, b, c)
        at = np.searchsorted(values, low, side="right")
        while at < len(values) and values[at] <= high:
            face.append(row)
            plane.append(at)
            at += 1
    return np.array(face, np.int64), np.array(plane, np.int64)


def _outlines(vertices_mm, faces, filled, axis, value_mm):
    """Outlines, a list, of ``faces`` (m, 3) that all cross the plane, with ``filled`` (m,) bool."""
    if not len(faces):
        return []
    triangle = faces.astype(np.int64)
    side = vertices_mm[triangle, axis] >= np.float32(value_mm)
    # the vertex that stands alone on its side; the plane cuts the two edges that leave it
    odd = np.where((side.sum(axis=1) == 1)[:, None], side, ~side).argmax(axis=1)
    lone = triangle[np.arange(len(triangle)), odd]
    ends = [triangle[np.arange(len(triangle)), (odd + step) % 3] for step in (1, 2)]
    edges = np.stack([np.column_stack([np.minimum(lone, end), np.maximum(lone, end)]) for end in ends], axis=1)
    keys = edges[..., 0] * len(vertices_mm) + edges[..., 1]
    unique, node = np.unique(keys, return_inverse=True)
    node = node.reshape(keys.shape)
    a, b = (vertices_mm[index].astype(np.float64) for index in (unique // len(vertices_mm), unique % len(vertices_mm)))
    share = (value_mm - a[:, axis]) / np.where(b[:, axis] == a[:, axis], 1.0, b[:, axis] - a[:, axis])
    points = np.delete(a + np.clip(share, 0.0, 1.0)[:, None] * (b - a), axis, axis=1)
    outlines = []
    for made_up in (False, True):
        for chain in _chains(node[filled == made_up], len(unique)):
            outlines.append(Outline(points[chain], made_up))
    return outlines


def _chains(links, count):
    """Node numbers along each polyline, a list of (k,) arrays, from links (m, 2) between ``count`` nodes."""
    order, starts = _walk(links, count)
    return [order[first:last] for first, last in zip(starts[:-1], starts[1:], strict=True)]


@numba.njit(cache=True)
def _walk(links, count):
    # links at each node as a linked list, so that a node with many (a seam that is not manifold) is no trouble
    head, following = np.full(count, -1, np.int64), np.full(2 * len(links), -1, np.int64)
    degree = np.zeros(count, np.int64)
    for at in range(2 * len(links) - 1, -1, -1):
        node = links[at // 2, at % 2]
        following[at] = head[node]
        head[node] = at
        degree[node] += 1
    used = np.zeros(len(links), np.bool_)
    order, starts = np.empty(2 * len(links), np.int64), [0]
    filled = 0
    # open ends first, then what is left: closed loops
    for ends_only in (True, False):
        for start in range(count):
            if ends_only and degree[start] % 2 == 0:
                continue
            while True:
                node, length = start, 0
                while True:
                    at = head[node]
                    while at >= 0 and used[at // 2]:
                        at = following[at]
                    if at < 0:
                        break
                    if length == 0:
                        order[filled] = node
                        length = 1
                    used[at // 2] = True
                    node = links[at // 2, 1 - at % 2]
                    order[filled + length] = node
                    length += 1
                if length == 0:
                    break
                filled += length
                starts.append(filled)
    return order[:filled], np.array(starts)


def simplify(points_mm, tolerance_mm):
    """A polyline, (k, 2), without the points that lie within a tolerance of the line between those that stay.

    Source: D. Douglas, T. Peucker, Cartographica 10 (1973) 112.
    """
    return points_mm[_kept(np.ascontiguousarray(points_mm), tolerance_mm)]


@numba.njit(cache=True)
def _kept(points, tolerance):
    keep = np.zeros(len(points), np.bool_)
    keep[0] = keep[-1] = True
    waiting = [(0, len(points) - 1)]
    while waiting:
        first, last = waiting.pop()
        along = points[last] - points[first]
        square = along[0] ** 2 + along[1] ** 2
        furthest, at = tolerance, -1
        for one in range(first + 1, last):
            off = points[one] - points[first]
            share = (off[0] * along[0] + off[1] * along[1]) / square if square > 0.0 else 0.0
            share = min(max(share, 0.0), 1.0)
            distance = np.sqrt((off[0] - share * along[0]) ** 2 + (off[1] - share * along[1]) ** 2)
            if distance > furthest:
                furthest, at = distance, one
        if at >= 0:
            keep[at] = True
            waiting.append((first, at))
            waiting.append((at, last))
    return keep
