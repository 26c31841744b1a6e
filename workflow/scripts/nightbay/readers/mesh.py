"""Faces of a mesh: whether their vertices exist, polygons as triangles, vectors at unit length."""

import numpy as np

from nightbay.core.errors import Rejected

MOST_CORNERS = 10_000  # of a face; polygons of a mesh have a few, those of a cut through a model some hundreds


def check(faces: np.ndarray, count: int, name: str, first: int = 0) -> None:
    """Raise :class:`Rejected` for faces, (m, 3) int, that refer to a vertex outside 0..``count`` - 1.

    ``name``: name of the file in messages; ``first``: number of faces that come before these in the file.
    """
    wrong = np.any((faces < 0) | (faces >= count), axis=1)
    if wrong.any():
        row = int(np.argmax(wrong))
        vertex = int(faces[row][(faces[row] < 0) | (faces[row] >= count)][0])
        raise Rejected(
            f"{name}: face {first + row + 1} refers to vertex {vertex}, but there are {count} (0 to {count - 1}): it "
            "was cut short or damaged, copy or export it again."
        )


def unit(normal: np.ndarray) -> np.ndarray:
    """Vectors (n, 3) at unit length as float32; zero stays zero, and what is too large for a number becomes zero."""
    with np.errstate(over="ignore"):
        length = np.linalg.norm(normal, axis=1, keepdims=True)
    sound = (length > 0) & np.isfinite(length)
    return np.divide(normal, length, out=np.zeros(normal.shape), where=sound).astype(np.float32)


def fan(polygons: np.ndarray) -> np.ndarray:
    """Triangles (m, 3) of polygons (n, corners), each divided into a fan about its first corner."""
    corner = np.arange(1, polygons.shape[1] - 1)
    return polygons[:, np.column_stack([np.zeros_like(corner), corner, corner + 1])].reshape(-1, 3)


def fans(corners: np.ndarray, lengths: np.ndarray) -> np.ndarray:
    """Triangles (m, 3) of polygons whose ``corners`` (k,) follow each other, ``lengths`` (n,) of them in each; polygons
    with fewer than three are left out."""
    start = np.cumsum(lengths) - lengths
    parts = []
    for length in np.unique(lengths[lengths >= 3]):
        parts.append(fan(corners[start[lengths == length, None] + np.arange(length)]))
    return np.concatenate(parts) if parts else np.empty((0, 3), np.int64)
