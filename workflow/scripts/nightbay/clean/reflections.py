"""Mirror images: what a glossy panel mirrors is measured behind it, where no scanner can have looked.

A connected component is a mirror image when almost all of it is enclosed: every direction in which its surface faces
ends at the back of another surface. What is seen through a window, a wheel's spokes or over a tyre has a free line of
sight.
"""

from typing import NamedTuple

import numba
import numpy as np

from nightbay.clean import components
from nightbay.clean.ground import Ground
from nightbay.clean.neighbours import Cells

CONE_DEG = 70.0  # a scanner gets next to nothing back from a surface it looks at more obliquely
UNDER_MM = 60.0  # a scanner does not get nearer to the ground: a line of sight below the sill is blocked
DIRECTIONS = 96  # 11 degrees apart: an opening of 200 mm, one metre off, lets one through
REACH_MM = 1500.0  # surfaces further off than that do not block a line of sight: the scanner was nearer
BACK = 0.1  # least cosine between a line of sight and the outward normal of a surface that blocks it from its back
LEAST = 10.0  # smaller components than a square of so many times the smallest to keep may be scraps seen through a slit
ASKED = 100  # cells of a component that are tried
MOSTLY = 0.8  # least share of them that is enclosed
FIRST_STEP = 4  # half cells: nearer than two cells, a line of sight meets the surface that it starts from


class Scene(NamedTuple):
    """Surfaces as coarse cells, and the ground; lengths in mm.

    ``at_mm`` and ``facing`` (l, 3): mean point and mean normal of each coarse cell; ``component`` (l,) int32, the
    component that it belongs to; ``keys`` (l,) int64 sorted, of the cells on a grid of ``dims`` (3,) from ``low_mm``
    (3,) with cells of ``edge_mm``; ``up`` (3,): zero where no ground is known; ``level_mm``: height along ``up`` below
    which no scanner gets.
    """

    at_mm: np.ndarray
    facing: np.ndarray
    component: np.ndarray
    keys: np.ndarray
    low_mm: np.ndarray
    dims: np.ndarray
    edge_mm: float
    up: np.ndarray
    level_mm: float


def mirrored(
    cells: Cells,
    member: np.ndarray,
    centres_mm: np.ndarray,
    normals: np.ndarray,
    smallest_mm: float,
    plane: Ground | None = None,
) -> np.ndarray:
    """Cells of mirror images, (m,) bool. ``member`` (m,) bool: the cells that count; ``centres_mm`` and ``normals``
    (m, 3): their points' mean and outward mean normal; ``plane``: the ground, where there is one. The largest component
    is the vehicle."""
    ghost = np.zeros(len(member), bool)
    parts = components.connected(cells, member, smallest_mm)
    if parts.of_coarse.size == 0 or parts.of_coarse.max() == 0:
        return ghost
    scene = _scene(cells, parts, member, centres_mm, normals, plane)
    sampled = _sample(parts.of_coarse, (LEAST * smallest_mm / parts.edge_mm) ** 2)
    enclosed = _enclosed(scene, sampled, _directions())
    share = np.bincount(parts.of_coarse, enclosed) / np.maximum(np.bincount(parts.of_coarse, sampled), 1)
    ghost[member] = (share >= MOSTLY)[parts.of_coarse][parts.coarse]
    return ghost


def _scene(
    cells: Cells,
    parts: components.Components,
    member: np.ndarray,
    centres_mm: np.ndarray,
    normals: np.ndarray,
    plane: Ground | None,
) -> Scene:
    """The :class:`Scene` of the cells that count, see :func:`mirrored`."""
    count = np.bincount(parts.coarse)
    at_mm = (
        np.column_stack([np.bincount(parts.coarse, centres_mm[member][:, axis]) for axis in range(3)]) / count[:, None]
    )
    facing = np.column_stack([np.bincount(parts.coarse, normals[member][:, axis]) for axis in range(3)])
    facing = facing / np.maximum(np.linalg.norm(facing, axis=1), 1e-12)[:, None]
    index = np.empty((len(count), 3), np.int64)
    index[parts.coarse] = (cells.index[member] - 1) // round(parts.edge_mm / cells.edge_mm) + 1
    dims = index.max(axis=0) + 2
    keys = (index[:, 0] * dims[1] + index[:, 1]) * dims[2] + index[:, 2]  # sorted, as coarse cells are
    up, level_mm = (np.zeros(3), -np.inf) if plane is None else (plane.normal, plane.offset_mm + UNDER_MM)
    up = np.ascontiguousarray(up)  # of one kind: the loops are compiled once
    return Scene(at_mm, facing, parts.of_coarse, keys, cells.low_mm, dims, parts.edge_mm, up, level_mm)


def _sample(component: np.ndarray, fewest: float) -> np.ndarray:
    """Some coarse cells of every component but the largest and those of fewer cells than ``fewest``: (l,) bool."""
    size = np.bincount(component)
    size_of_cell = size[component]
    order = np.argsort(component, kind="stable")
    nth = np.empty(len(component), np.int64)
    nth[order] = np.arange(len(component)) - np.repeat(np.cumsum(size) - size, size)
    some = nth % np.maximum(1, size_of_cell // ASKED) == 0
    return some & (size_of_cell >= fewest) & (component != np.argmax(size))


def _directions() -> np.ndarray:
    """Directions spread evenly over a cone about Z, (DIRECTIONS, 3), from a Fibonacci spiral."""
    number = np.arange(DIRECTIONS)
    z = 1.0 - (number + 0.5) / DIRECTIONS * (1.0 - np.cos(np.radians(CONE_DEG)))
    angle = number * np.pi * (3.0 - np.sqrt(5.0))
    across = np.sqrt(1.0 - z**2)
    return np.column_stack([across * np.cos(angle), across * np.sin(angle), z])


@numba.njit(cache=True)
def _enclosed(scene: Scene, sampled: np.ndarray, directions: np.ndarray) -> np.ndarray:
    """Which of the coarse cells ``sampled``, (l,) bool, have no free line of sight: (l,) bool.

    ``directions`` (d, 3) unit, about the Z axis of a frame whose Z is the cell's normal.
    """
    enclosed = np.zeros(len(scene.at_mm), np.bool_)
    for start in range(len(scene.at_mm)):
        if not sampled[start]:
            continue
        normal = scene.facing[start]
        axis = np.argmin(np.abs(normal))
        first = -normal[axis] * normal
        first[axis] += 1.0
        first /= np.sqrt((first**2).sum())
        second = np.cross(normal, first)
        enclosed[start] = True
        for number in range(len(directions)):
            sight = directions[number, 0] * first + directions[number, 1] * second + directions[number, 2] * normal
            if _is_free(scene, start, sight):
                enclosed[start] = False
                break
    return enclosed


@numba.njit(cache=True)
def _is_free(scene: Scene, start: int, sight: np.ndarray) -> bool:
    """Whether a line of sight, (3,) unit, from the coarse cell ``start`` meets neither the back of a surface of another
    component nor the ground. It is followed in steps of half a cell."""
    start_mm, edge_mm, low, dims, keys = scene.at_mm[start], scene.edge_mm, scene.low_mm, scene.dims, scene.keys
    own = scene.component[start]
    height, climb = (start_mm * scene.up).sum() - scene.level_mm, (sight * scene.up).sum()
    for step in range(FIRST_STEP, int(2 * REACH_MM / edge_mm)):
        if height + 0.5 * step * edge_mm * climb < 0 and climb < 0:
            return False
        key = np.int64(0)
        for axis in range(3):
            index = np.int64(np.floor((start_mm[axis] + 0.5 * step * edge_mm * sight[axis] - low[axis]) / edge_mm)) + 1
            if index < 1 or index >= dims[axis] - 1:
                return True
            key = key * dims[axis] + index
        # the cell and the six beside it: else a line passes through where a surface only grazes a cell
        for beside in (0, 1, -1, dims[2], -dims[2], dims[1] * dims[2], -dims[1] * dims[2]):
            at = np.searchsorted(keys, key + beside)
            if at == len(keys) or keys[at] != key + beside or scene.component[at] == own:
                continue
            if (scene.facing[at] * sight).sum() >= BACK:
                return False
    return True
