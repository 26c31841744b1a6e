"""Which points lie on a sphere that was found: without its stand, the table and strays."""

from dataclasses import dataclass

import numpy as np

from nightbay.artefact import directions
from nightbay.artefact.sphere_search import Candidate

GATE_SD = 10.0  # distance up to which points belong to the surface, in robust standard deviations: noise ends far below
SHELL = 0.1  # share of the radius within which other points show what touches the sphere
# Cells of the sphere, and the points that a cell needs on average to show what is missing in it.
MOST_CELLS, POINTS_A_CELL = 2000, 12
FOREIGN = 0.05  # share of a cell's points off the surface from which on something touches it; strays are far fewer
SEEN = 0.25  # of the median of the occupied cells: fewer points mean that a cell was not seen


@dataclass(frozen=True)
class SpherePoints:
    """Points on the sphere, (n, 3) mm; ``beyond``: strays off it that count as dropped; ``covered``: share of the full
    solid angle that was seen and is touched by nothing; ``spacing_mm``: of cells."""

    points_mm: np.ndarray
    rows: np.ndarray
    beyond: int
    covered: float


def on(points_mm: np.ndarray, sphere: Candidate) -> SpherePoints | None:
    """The :class:`SpherePoints` among points (m, 3) near a ``sphere``; None where next to none are left.

    ``rows`` of the result: which of the points they are.
    """
    away = points_mm - sphere.centre_mm
    length = np.maximum(np.linalg.norm(away, axis=1), 1e-9)
    off = length - sphere.radius_mm
    rows = np.flatnonzero(np.abs(off) < SHELL * sphere.radius_mm)
    on_surface = np.abs(off[rows]) < GATE_SD * sphere.sd_mm
    if np.count_nonzero(on_surface) < 20:
        return None
    count = int(np.clip(np.count_nonzero(on_surface) // POINTS_A_CELL, 60, MOST_CELLS))
    cell = directions.cell(away[rows] / length[rows, None], count)
    own = np.bincount(cell[on_surface], minlength=count)
    foreign = np.bincount(cell[~on_surface], minlength=count)
    touched = (foreign >= 2) & (foreign > FOREIGN * (own + foreign))
    seen = own >= SEEN * np.median(own[own > 0])
    good = seen & ~touched
    keep = good[cell]
    kept = rows[keep & on_surface]
    if len(kept) < 20:
        return None
    beyond = int(np.count_nonzero(keep & ~on_surface))
    return SpherePoints(points_mm[kept], kept, beyond, float(np.count_nonzero(good)) / count)
