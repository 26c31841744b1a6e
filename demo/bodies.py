"""Triangle meshes with a material on every face, in the vehicle frame, whose dimensions are known.

Vehicle frame: X rearward, Y to the right, Z up, millimetres; ground at Z = 0, the front axle at X = 0.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
import trimesh
from numpy.typing import ArrayLike

PAINT, GLASS, TRIM, CHROME, RUBBER, GROUND, SURROUNDINGS, LINING = range(8)
# the colour a scanner's camera records of each material, 8 bit RGB
COLOURS = np.array(
    [
        (176, 64, 48),
        (60, 78, 84),
        (38, 38, 40),
        (196, 198, 202),
        (46, 45, 44),
        (126, 124, 120),
        (92, 110, 150),
        (168, 170, 166),
    ],
    np.uint8,
)


@dataclass(frozen=True)
class Body:
    """An object to scan.

    ``vertices_mm`` (n, 3) float64; ``faces`` (m, 3) int32, anticlockwise seen from outside; ``material`` (m,) uint8,
    one of this module's constants; ``colour`` (m, 3) uint8; ``dimensions_mm`` holds what is known exactly of it.
    """

    vertices_mm: np.ndarray
    faces: np.ndarray
    material: np.ndarray
    colour: np.ndarray | None = None
    dimensions_mm: dict = field(default_factory=dict)

    def __post_init__(self):
        if self.colour is None:
            object.__setattr__(self, "colour", COLOURS[self.material])

    @property
    def mesh(self) -> trimesh.Trimesh:
        """The body as a trimesh, its vertices as they are."""
        return trimesh.Trimesh(self.vertices_mm, self.faces, process=False)

    @property
    def bounds_mm(self) -> np.ndarray:
        """Lowest and highest corner, (2, 3)."""
        return np.array([self.vertices_mm.min(axis=0), self.vertices_mm.max(axis=0)])


def join(bodies: Iterable[Body], dimensions_mm: dict | None = None) -> Body:
    """Several bodies as one, in that order, with the given dimensions instead of their own."""
    bodies = list(bodies)
    starts = np.cumsum([0, *(len(body.vertices_mm) for body in bodies[:-1])])
    return Body(
        np.concatenate([body.vertices_mm for body in bodies]),
        np.concatenate([body.faces + start for body, start in zip(bodies, starts, strict=True)]).astype(np.int32),
        np.concatenate([body.material for body in bodies]),
        np.concatenate([body.colour for body in bodies]),
        dimensions_mm or {},
    )


def of_mesh(mesh: trimesh.Trimesh, material: int, colour: Sequence[int] | None = None) -> Body:
    """A body of one material, one of this module's constants; ``colour``: 8-bit RGB, that of the material if None."""
    faces = np.asarray(mesh.faces, np.int32)
    colours = None if colour is None else np.tile(np.array(colour, np.uint8), (len(faces), 1))
    return Body(np.asarray(mesh.vertices, np.float64), faces, np.full(len(faces), material, np.uint8), colours)


def box(low_mm: ArrayLike, high_mm: ArrayLike, material: int, colour: Sequence[int] | None = None) -> Body:
    """An upright box between two corners."""
    return of_mesh(trimesh.creation.box(bounds=np.array([low_mm, high_mm], float)), material, colour)


def subdivide(body: Body, longest_mm: float) -> Body:
    """The same surface with no edge longer than ``longest_mm``."""
    vertices, faces, parent = trimesh.remesh.subdivide_to_size(
        body.vertices_mm, body.faces, longest_mm, max_iter=30, return_index=True
    )
    return Body(vertices, faces.astype(np.int32), body.material[parent], body.colour[parent], body.dimensions_mm)


def ground(bounds_mm: ArrayLike, margin_mm: float = 500.0) -> Body:
    """The floor that a body stands on: a rectangle at Z = 0 that reaches ``margin_mm`` beyond the bounds, (2, 3)."""
    (x_low, y_low, _), (x_high, y_high, _) = np.asarray(bounds_mm) + [[-margin_mm] * 3, [margin_mm] * 3]
    corners = np.array([(x_low, y_low, 0), (x_high, y_low, 0), (x_high, y_high, 0), (x_low, y_high, 0)], float)
    return of_mesh(trimesh.Trimesh(corners, [(0, 1, 2), (0, 2, 3)], process=False), GROUND)


def geometry(scene: Body) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Corner a, edges b - a and c - a, (m, 3) mm, unit normal (m, 3) and area (m,) mm2 of each face a, b, c."""
    a, b, c = (scene.vertices_mm[scene.faces[:, at]] for at in range(3))
    cross = np.cross(b - a, c - a)
    length = np.linalg.norm(cross, axis=1)
    return a, b - a, c - a, cross / np.maximum(length, 1e-12)[:, None], length / 2
