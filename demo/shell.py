"""Smooth closed skins from implicit functions, and cuts in them, as meshes within a stated chord error.

An implicit function takes points, (n, 3) mm, and gives the rough signed distance, (n,) mm, negative inside.
"""

from collections.abc import Callable, Sequence

import numpy as np
import pymeshlab
import trimesh
from numpy.typing import ArrayLike

Implicit = Callable[[np.ndarray], np.ndarray]

CHORD_MM = 0.15  # how far a face may lie from the surface it stands for


def round_and(a: np.ndarray, b: np.ndarray, radius: float) -> np.ndarray:
    """Intersection of two signed distances, (n,) mm, whose edge is rounded with ``radius`` mm."""
    outside = np.hypot(np.maximum(a + radius, 0), np.maximum(b + radius, 0))
    return np.minimum(np.maximum(a, b), -radius) + outside


def round_or(a: np.ndarray, b: np.ndarray, radius: float) -> np.ndarray:
    """Union of two signed distances, (n,) mm, whose inner edge is rounded with ``radius`` mm."""
    return -round_and(-a, -b, radius)


def project(implicit: Implicit, points_mm: np.ndarray, rounds: int = 12) -> np.ndarray:
    """Points (n, 3) moved down the gradient onto the surface."""
    points = points_mm.copy()
    step = 0.01
    for _ in range(rounds):
        value = implicit(points)
        gradient = np.column_stack(
            [(implicit(points + shift) - implicit(points - shift)) / (2 * step) for shift in step * np.eye(3)]
        )
        points -= (value / np.maximum((gradient**2).sum(axis=1), 1e-9))[:, None] * gradient
    return points


def grid_box(low_mm: ArrayLike, high_mm: ArrayLike, spacing_mm: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    """The surface of an upright box as a grid of triangles: vertices (n, 3), faces (m, 3); spacing (1,) or (3,)."""
    low, high = np.asarray(low_mm, float), np.asarray(high_mm, float)
    counts = np.maximum(np.round((high - low) / np.asarray(spacing_mm, float)).astype(int), 2)
    vertices, faces, start = [], [], 0
    for axis in range(3):
        first, second = (axis + 1) % 3, (axis + 2) % 3
        u, v = np.meshgrid(
            np.linspace(low[first], high[first], counts[first] + 1),
            np.linspace(low[second], high[second], counts[second] + 1),
            indexing="ij",
        )
        number = np.arange(u.size).reshape(u.shape)
        quads = np.stack([number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]], axis=-1).reshape(-1, 4)
        triangles = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])
        for at, turn in ((low[axis], triangles[:, ::-1]), (high[axis], triangles)):
            side = np.empty((u.size, 3))
            side[:, axis], side[:, first], side[:, second] = at, u.ravel(), v.ravel()
            vertices.append(side)
            faces.append(turn + start)
            start += u.size
    mesh = trimesh.Trimesh(np.concatenate(vertices), np.concatenate(faces), process=False)
    mesh.merge_vertices()
    return np.array(mesh.vertices), np.array(mesh.faces)


def wrap(implicit: Implicit, vertices_mm: np.ndarray, faces: np.ndarray, chord_mm: float = CHORD_MM) -> trimesh.Trimesh:
    """Project a closed mesh onto the surface of an implicit function, and refine it where it is curved.

    Edges are split until their midpoints lie within ``chord_mm`` of the surface, at most six times.
    """
    vertices = project(implicit, vertices_mm)
    for _ in range(6):
        edges = np.unique(np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1), axis=0)
        middle = vertices[edges].mean(axis=1)
        onto = project(implicit, middle, rounds=5)
        split = np.linalg.norm(onto - middle, axis=1) > chord_mm
        if not split.any():
            break
        faces = split_edges(faces, edges[split], len(vertices))
        vertices = np.concatenate([vertices, onto[split]])
    return trimesh.Trimesh(vertices, faces, process=False)


def split_edges(faces: np.ndarray, edges: np.ndarray, first: int) -> np.ndarray:
    """Faces (m, 3) whose ``edges``, (k, 2) sorted vertices, are split at new vertices, numbered from ``first``."""
    key = edges[:, 0].astype(np.int64) << 32 | edges[:, 1]
    order = np.argsort(key)
    sides = np.sort(np.stack([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]], axis=1), axis=2)
    side = sides[..., 0].astype(np.int64) << 32 | sides[..., 1]
    at = np.minimum(np.searchsorted(key[order], side), len(key) - 1)
    new = np.where(key[order][at] == side, first + order[at], -1)  # (m, 3) new vertex on each side
    many = (new >= 0).sum(axis=1)
    # turn each face so that its split sides come first (one split), or its whole side last (two)
    turn = np.where(many == 1, np.argmax(new >= 0, axis=1), (np.argmin(new >= 0, axis=1) + 1) % 3)
    turn[(many == 0) | (many == 3)] = 0
    pick = (np.arange(3) + turn[:, None]) % 3
    a, b, c = np.take_along_axis(faces, pick, axis=1).T
    p, q, r = np.take_along_axis(new, pick, axis=1).T  # on ab, bc, ca
    once, twice, thrice = many == 1, many == 2, many == 3
    pieces = [faces[many == 0]]
    pieces += [np.column_stack(cols)[once] for cols in ((a, p, c), (p, b, c))]
    pieces += [np.column_stack(cols)[twice] for cols in ((p, b, q), (a, p, q), (a, q, c))]
    pieces += [np.column_stack(cols)[thrice] for cols in ((a, p, r), (p, b, q), (r, q, c), (p, q, r))]
    return np.concatenate(pieces)


def minus(mesh: trimesh.Trimesh, tool: trimesh.Trimesh) -> trimesh.Trimesh:
    """The closed mesh without its part inside the closed tool."""
    return _boolean("generate_boolean_difference", mesh, tool)


def meet(mesh: trimesh.Trimesh, other: trimesh.Trimesh) -> trimesh.Trimesh:
    """The intersection of two closed meshes."""
    return _boolean("generate_boolean_intersection", mesh, other)


def _boolean(name, mesh, tool):
    meshes = pymeshlab.MeshSet()
    for solid in (mesh, tool):
        meshes.add_mesh(pymeshlab.Mesh(np.asarray(solid.vertices, float), np.asarray(solid.faces, np.int32)))
    getattr(meshes, name)(first_mesh=0, second_mesh=1)
    answer = meshes.current_mesh()
    # the same faces come in another order each time: begin each with its lowest vertex, then sort them
    faces = answer.face_matrix()
    turn = np.argmin(faces, axis=1)[:, None]
    faces = np.take_along_axis(faces, (np.arange(3) + turn) % 3, axis=1)
    return trimesh.Trimesh(answer.vertex_matrix(), faces[np.lexsort(faces.T[::-1])], process=False)


def loop(points: ArrayLike, radius_mm: float, corner: int = 6) -> np.ndarray:
    """A convex polygon's corners, (n, 2) anticlockwise, rounded with ``corner`` points each: (n * corner, 2)."""
    points = np.asarray(points, float)
    before, after = np.roll(points, 1, axis=0) - points, np.roll(points, -1, axis=0) - points
    before /= np.linalg.norm(before, axis=1, keepdims=True)
    after /= np.linalg.norm(after, axis=1, keepdims=True)
    half = np.arccos(np.clip((before * after).sum(axis=1), -1, 1)) / 2
    middle = (before + after) / np.linalg.norm(before + after, axis=1, keepdims=True)
    centre = points + middle * (radius_mm / np.sin(half))[:, None]
    rounded = []
    for at in range(len(points)):
        start, stop = (points[at] + way[at] * radius_mm / np.tan(half[at]) - centre[at] for way in (before, after))
        first = np.arctan2(start[1], start[0])
        turn = np.mod(np.arctan2(stop[1], stop[0]) - first, 2 * np.pi)
        angle = first + turn * np.linspace(0, 1, corner)
        rounded.append(centre[at] + radius_mm * np.column_stack([np.cos(angle), np.sin(angle)]))
    return np.concatenate(rounded)


def rectangle(low: Sequence[float], high: Sequence[float], radius_mm: float) -> np.ndarray:
    """The outline, (k, 2), of an upright rectangle between two corners with rounded corners."""
    (u0, v0), (u1, v1) = low, high
    return loop([(u0, v0), (u1, v0), (u1, v1), (u0, v1)], radius_mm)


def prism(outline: np.ndarray, low: float, high: float, frame: np.ndarray | None = None) -> trimesh.Trimesh:
    """A convex outline, (n, 2) anticlockwise, extruded along the third axis from ``low`` to ``high``: a closed mesh.

    ``frame`` (4, 4) maps the outline's coordinates and the third axis to the vehicle frame.
    """
    count = len(outline)
    rings = [np.column_stack([outline, np.full(count, level)]) for level in (low, high)]
    centres = [[*outline.mean(axis=0), level] for level in (low, high)]
    at = np.arange(count)
    after = (at + 1) % count
    faces = [
        np.column_stack([at, after, after + count]),
        np.column_stack([at, after + count, at + count]),
        np.column_stack([after, at, np.full(count, 2 * count)]),
        np.column_stack([at + count, after + count, np.full(count, 2 * count + 1)]),
    ]
    mesh = trimesh.Trimesh(np.concatenate([*rings, centres]), np.concatenate(faces), process=False)
    return mesh if frame is None else mesh.apply_transform(frame)


def ring(
    outline: np.ndarray, width_mm: float, low: float, high: float, frame: np.ndarray | None = None
) -> trimesh.Trimesh:
    """The band of a width inside a convex outline, extruded as by :func:`prism`: a closed mesh."""
    count = len(outline)
    along = np.roll(outline, -1, axis=0) - np.roll(outline, 1, axis=0)
    inward = np.column_stack([-along[:, 1], along[:, 0]]) / np.linalg.norm(along, axis=1, keepdims=True)
    loops = [outline, outline + width_mm * inward]
    vertices = np.concatenate(
        [np.column_stack([loop, np.full(count, level)]) for level in (low, high) for loop in loops]
    )
    at = np.arange(count)
    after = (at + 1) % count
    # the four edges of the band's section in turn: outer low, outer high, inner high, inner low
    corners = [0, 2 * count, 3 * count, count]
    faces = []
    for here, there in zip(corners, [*corners[1:], corners[0]], strict=True):
        faces += [
            np.column_stack([at + here, after + here, after + there]),
            np.column_stack([at + here, after + there, at + there]),
        ]
    mesh = trimesh.Trimesh(vertices, np.concatenate(faces), process=False)
    return mesh if frame is None else mesh.apply_transform(frame)


def grown(outline: np.ndarray, margin_mm: float) -> np.ndarray:
    """A convex outline, (k, 2) anticlockwise, whose corners are moved outwards by a margin."""
    along = np.roll(outline, -1, axis=0) - np.roll(outline, 1, axis=0)
    outward = np.column_stack([along[:, 1], -along[:, 0]]) / np.linalg.norm(along, axis=1, keepdims=True)
    return outline + margin_mm * outward


def within(outline: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Whether points, (n, 2), lie in a convex outline, (k, 2) anticlockwise."""
    inside = np.ones(len(points), bool)
    for start, stop in zip(outline, np.roll(outline, -1, axis=0), strict=True):
        way = stop - start
        inside &= way[0] * (points[:, 1] - start[1]) - way[1] * (points[:, 0] - start[0]) >= 0
    return inside
