"""A coarse copy of a surface by clustering its vertices: each keeps the place of a measured vertex."""

from dataclasses import dataclass

import numba
import numpy as np

from nightbay.core import thinning
from nightbay.meshes.surface import Surface, block, spans

KINDS = 12  # of vertices in one cube: six directions that they face, measured or not
MOST = 400_000  # vertices of the copy: this project's choice, for memory


@dataclass(frozen=True)
class Clusters:
    """``rows`` (k,) int64: the vertices of the surface that are kept, one of each cluster, ``spacing_mm`` apart;
    ``points_mm`` (k, 3) float64 and unit ``normals`` (k, 3) float64, of the whole surface there; ``area_mm2`` (k,) of
    each cluster; ``measured`` (k,) bool: whether it has any; ``faces`` (m, 3) int32 between them, numbered as
    ``rows``, and which of those are ``filled``, (m,) uint8."""

    rows: np.ndarray
    points_mm: np.ndarray
    normals: np.ndarray
    area_mm2: np.ndarray
    measured: np.ndarray
    faces: np.ndarray
    filled: np.ndarray
    spacing_mm: float


def cluster(surface: Surface, areas: np.ndarray, spacing_mm: float, most: int = MOST) -> Clusters:
    """The :class:`Clusters` of a surface: vertices in one cube of ``spacing_mm`` that face alike (the same axis is the
    nearest to their normals) and are measured, or not, alike; cubes are larger where there would be more than ``most``.

    ``areas`` (n,) mm2 of measured surface of each vertex. The vertices of the surface are in memory, its faces may lie
    on disk.
    """
    vertices = surface.vertices_mm
    normals = np.zeros((len(vertices), 3), np.float32)
    for rows in spans(len(surface.faces)):
        _add_normals(normals, vertices, np.ascontiguousarray(surface.faces[rows]))
    kind = _facing(normals) * 2 + (areas > 0.0)
    while True:
        key, off = thinning.cubes(vertices, np.float64(spacing_mm))
        key *= KINDS
        key += kind
        chosen = thinning.least_of_each(key, off)
        if len(chosen) <= most:
            break
        spacing_mm *= np.sqrt(2.0)
    number = np.searchsorted(key[chosen], key).astype(np.int32)
    faces, filled = _faces(surface, number)
    facing = normals[chosen].astype(np.float64)
    length = np.linalg.norm(facing, axis=1, keepdims=True)
    area = np.bincount(number, weights=areas, minlength=len(chosen))
    return Clusters(
        rows=chosen,
        points_mm=vertices[chosen].astype(np.float64),
        normals=np.divide(facing, length, out=np.zeros_like(facing), where=length > 0.0),
        area_mm2=area,
        measured=area > 0.0,
        faces=faces,
        filled=filled,
        spacing_mm=float(spacing_mm),
    )


def _faces(surface: Surface, number: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The faces whose corners lie in three clusters, each once, (m, 3) int32, and which are filled, (m,) uint8."""
    found = [np.empty((0, 3), np.int32)]
    marks = [np.empty(0, np.uint8)]
    for rows in spans(len(surface.faces)):
        some = block({"faces": surface.faces} | surface.face, rows)
        corners = number[some["faces"]]
        whole = (corners[:, 0] != corners[:, 1]) & (corners[:, 1] != corners[:, 2]) & (corners[:, 0] != corners[:, 2])
        found.append(corners[whole])
        marks.append(some.get("filled", np.zeros(len(corners), np.uint8))[whole])
    corners, filled = np.concatenate(found), np.concatenate(marks)
    # the smallest corner first: a face that occurs twice is turned alike
    first = np.argmin(corners, axis=1) if len(corners) else np.empty(0, np.int64)
    corners = np.take_along_axis(corners, (first[:, None] + np.arange(3)) % 3, axis=1)
    corners, row = np.unique(corners, axis=0, return_index=True)
    return np.ascontiguousarray(corners), filled[row]


def _facing(normals: np.ndarray) -> np.ndarray:
    """Which of the six directions of the axes each normal is nearest to, (n,) int64 in 0..5."""
    axis = np.argmax(np.abs(normals), axis=1)
    return axis * 2 + (np.take_along_axis(normals, axis[:, None], axis=1)[:, 0] < 0.0)


@numba.njit(cache=True)
def _add_normals(normals, vertices, faces):
    for face in range(len(faces)):
        a, b, c = faces[face]
        x, y, z = np.float64(vertices[a, 0]), np.float64(vertices[a, 1]), np.float64(vertices[a, 2])
        ux, uy, uz = vertices[b, 0] - x, vertices[b, 1] - y, vertices[b, 2] - z
        vx, vy, vz = vertices[c, 0] - x, vertices[c, 1] - y, vertices[c, 2] - z
        nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        for corner in (a, b, c):
            normals[corner, 0] += nx
            normals[corner, 1] += ny
            normals[corner, 2] += nz
