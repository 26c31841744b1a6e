"""The upright plane halfway between the side walls of a room, from where both are seen opposite each other."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightbay.core import plane_fit, robust
from nightbay.frame.room_planes import RoomPlane

CELL_MM = 80.0  # four spacings of the thinned points: a few of them a cell
LEAST_CELLS = 30
FACING = 0.9  # cosine of 26 degrees: points of walls, not of what stands at them
DEPTH_MM = 250.0  # walls lean and bend by less from the plane that was found of them
LIMITS_MM = (40.0, 20.0, 10.0)  # a rib opposite bare wall moves the middle by half its height
BLOCKS = 8


@dataclass(frozen=True)
class Middle:
    """Where the middle between two walls lies across the room: ``at_mm`` with ``sd_mm`` at the middle of the walls'
    length, and how it turns along it, ``turn_rad`` with ``turn_sd_rad``."""

    at_mm: float
    sd_mm: float
    turn_rad: float
    turn_sd_rad: float


def between(points_mm: np.ndarray, normals: np.ndarray, axes: np.ndarray, walls: Sequence[RoomPlane]) -> Middle | None:
    """The :class:`Middle` of two ``walls``; None where too little of one lies opposite the other.

    ``points_mm`` and ``normals`` (n, 3); rows of ``axes`` (3, 3): along, across and up. In each cell of the side view
    the wall's position is the outermost of its points, so that what stands before it does not count; a plane is fitted
    robustly to the means of both sides, because ribs of one side stand opposite bare wall of the other.
    """
    along, across, up = axes
    sides = []
    for wall in walls:
        side = -np.sign(wall.normal @ across)
        rows = np.flatnonzero((-side * (normals @ across) > FACING) & (np.abs(wall.distance_mm(points_mm)) < DEPTH_MM))
        cell = np.floor(np.column_stack([points_mm[rows] @ along, points_mm[rows] @ up]) / CELL_MM).astype(np.int64)
        outward = side * (points_mm[rows] @ across)
        cells, first = np.unique(cell, axis=0, return_inverse=True)
        reach = np.full(len(cells), -np.inf)
        np.maximum.at(reach, first.ravel(), outward)
        sides.append({tuple(key): side * value for key, value in zip(cells.tolist(), reach, strict=True)})
    common = sorted(sides[0].keys() & sides[1].keys())
    if len(common) < LEAST_CELLS:
        return None
    middle = np.array([(sides[0][key] + sides[1][key]) / 2 for key in common])
    at = (np.array(common) + 0.5) * CELL_MM
    off = at - at.mean(axis=0)
    rows = np.column_stack([np.ones(len(off)), off])
    block = robust.blocks_along(off[:, 0], BLOCKS)
    start = np.array([np.median(middle), 0.0, 0.0])
    solution, step = plane_fit.solve(rows, middle, start, block, LIMITS_MM)
    if not np.isfinite(step.covariance).all():
        return None
    sd = np.sqrt(np.diag(step.covariance))
    return Middle(float(solution[0]), float(sd[0]), float(solution[1]), float(sd[1]))
