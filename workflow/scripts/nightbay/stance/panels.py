"""Rigid patches of surface that stood differently in some segments: a door, a lid, a bonnet that was not closed.

Poses follow the whole body, so a door that stood open leaves its overlap apart where all else fits. Segments are
compared in small cells; cells that lie further apart than the errors of both segments explain, and hang together, are a
panel if one motion brings them onto each other.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import NamedTuple

import numpy as np
from scipy.spatial import cKDTree

from nightbay.clouds.posed import PosedClouds
from nightbay.core import rigid, robust, thinning
from nightbay.stance import cells
from nightbay.stance.cells import CELL_MM
from nightbay.stance.ground_motion import SegmentErrors
from nightbay.stance.wheel_zone import WheelZone

SPACING_MM, SEED_MM = 6.0, 15.0  # points of a segment are thinned to these: those compared with, and those compared
FEWEST = 4  # compared points of a cell
REACH_MM, BESIDE_MM = 15.0, 10.0  # how far apart along the normal two surfaces of a panel may stand, and beside it
ALIKE = 0.9  # least cosine between their normals
LEAST_MM = 1.0  # of a cell's distance: panels give by tenths of a millimetre (common practice, no source)
MOST_SDS = 5.0
LEAST_CELLS = 12  # of a panel, 0.03 m2: a palm against a flexible trim changes less
LEFT_SHARE, LEFT_MM = 0.4, 0.4  # of a panel's distances, left after its motion: more is no rigid motion
SHIFT_SD_MM, TURN_SD_RAD, METRE = 20.0, np.radians(2.0), 1000.0
AROUND_MM = 400.0  # about a panel, in which the segment that saw more of it is looked for


class Scan(NamedTuple):
    """A segment in the level frame: ``points`` and ``normals`` (n, 3) with a ``tree``; ``seeds`` (m,) rows of them."""

    points: np.ndarray
    normals: np.ndarray
    tree: cKDTree
    seeds: np.ndarray


class Apart(NamedTuple):
    """Seeds of one segment on the surface of another: ``at_mm``, ``normals`` (n, 3) and how far the second segment
    lies outside of the first there, ``mm`` (n,); their ``cell`` (n, 3) int."""

    at_mm: np.ndarray
    normals: np.ndarray
    mm: np.ndarray
    cell: np.ndarray


@dataclass(frozen=True)
class Panel:
    """A panel that stood differently in two segments, ``first`` and ``second`` by number.

    ``cells`` (k, 3) int of the level frame; ``at_mm`` and ``normal`` (3,); ``low_mm``, ``high_mm`` (3,); ``median_mm``
    and ``most_mm``: how far the second stood outside, with ``sd_mm``; ``turn_rad`` with ``turn_sd_rad``; ``left_mm``.
    """

    first: int
    second: int
    cells: np.ndarray
    at_mm: np.ndarray
    normal: np.ndarray
    low_mm: np.ndarray
    high_mm: np.ndarray
    median_mm: float
    most_mm: float
    sd_mm: float
    turn_rad: float
    turn_sd_rad: float
    left_mm: float

    @property
    def area_mm2(self) -> float:
        """By the cells that it fills."""
        return len(self.cells) * CELL_MM**2

    def holds(self, points_mm: np.ndarray) -> np.ndarray:
        """Which points (n, 3) of the level frame lie in its cells or beside them, (n,) bool."""
        keys = np.unique(cells.key((self.cells[:, None] + cells.NEIGHBOURS).reshape(-1, 3)))
        return np.isin(cells.key(cells.of(points_mm)), keys)


def find(scans: Sequence[Scan], errors: Sequence[SegmentErrors]) -> list[Panel]:
    """The panels, the largest first, that two segments show differently; ``errors`` of each segment."""
    found = []
    for first, second in combinations(range(len(scans)), 2):
        apart = compare(scans[first], scans[second])
        if len(apart.mm) >= FEWEST * LEAST_CELLS:
            found += _panels(apart, (first, second), (errors[first], errors[second]))
    return sorted(found, key=lambda panel: (-len(panel.cells), panel.first, panel.second))


def extent(scans: Sequence[Scan], panel: Panel) -> list[int]:
    """How many seeds each segment has about a panel."""
    low, high = panel.low_mm - AROUND_MM, panel.high_mm + AROUND_MM
    return [int(np.all((own.points[own.seeds] > low) & (own.points[own.seeds] < high), axis=1).sum()) for own in scans]


def scan(segment: PosedClouds, T_level_control: np.ndarray, zones: Sequence[WheelZone]) -> Scan:
    """The :class:`Scan` of a segment, alone in ``segment``, without its wheels."""
    points, normals, _ = segment.thinned(SPACING_MM)
    points, normals = rigid.transform(T_level_control, points), rigid.rotate(T_level_control, normals)
    keep = np.ones(len(points), bool)
    for zone in zones:
        keep &= ~zone.risen(0.0, 1.05).holds(points)
    points, normals = points[keep], normals[keep]
    seeds = np.sort(thinning.thin(points, SEED_MM))
    return Scan(points, normals, cKDTree(points), seeds)


def compare(a: Scan, b: Scan) -> Apart:
    """Seeds of ``a`` on surface of ``b`` that faces the same way: :class:`Apart`."""
    at, facing = a.points[a.seeds], a.normals[a.seeds]
    distance, near = b.tree.query(at, distance_upper_bound=float(np.hypot(REACH_MM, BESIDE_MM)))
    rows = np.flatnonzero(np.isfinite(distance))
    off = b.points[near[rows]] - at[rows]
    normal = facing[rows] + b.normals[near[rows]]
    length = np.linalg.norm(normal, axis=1)
    normal /= np.maximum(length, 1e-9)[:, None]
    mm = np.sum(off * normal, axis=1)
    beside = np.sqrt(np.maximum(np.sum(off**2, axis=1) - mm**2, 0.0))
    keep = (length > 2 * ALIKE) & (beside < BESIDE_MM)
    at = at[rows][keep]
    return Apart(at, normal[keep], mm[keep], cells.of(at))


def _panels(apart: Apart, pair: tuple[int, int], errors: tuple[SegmentErrors, SegmentErrors]) -> list[Panel]:
    _, first_row, of_cell, count = np.unique(
        cells.key(apart.cell), return_index=True, return_inverse=True, return_counts=True
    )
    of_cell = of_cell.ravel()
    mean = np.bincount(of_cell, apart.mm) / count
    # distances of the body at large: the scatter of points about the mean of their cell
    noise = robust.MAD_TO_SD * float(np.median(np.abs(apart.mm - mean[of_cell])))
    a, b = (own.variances_mm2(apart.at_mm[first_row], apart.normals[first_row]) for own in errors)
    predicted = a + b
    sd = np.sqrt(predicted + noise**2 / count)
    moved = (count >= FEWEST) & (np.abs(mean) > np.maximum(LEAST_MM, MOST_SDS * sd))
    rows = np.flatnonzero(moved)
    found = []
    for together in cells.connected(apart.cell[first_row[rows]], LEAST_CELLS, np.sign(mean[rows])):
        chosen = rows[together]
        mine = np.isin(of_cell, chosen)
        some = Apart(*(column[mine] for column in apart))
        sd_mm = float(np.sqrt(np.mean(predicted[chosen]) + noise**2 / mine.sum()))
        panel = _panel(some, pair, apart.cell[first_row[chosen]], sd_mm, noise)
        if panel is not None:
            found.append(panel)
    return found


def _panel(some: Apart, pair: tuple[int, int], filled: np.ndarray, sd_mm: float, noise_mm: float) -> Panel | None:
    """The :class:`Panel` of its compared seeds; None where no rigid motion explains their distances."""
    middle = some.at_mm.mean(axis=0)
    J = np.column_stack([np.cross(some.at_mm - middle, some.normals) / METRE, some.normals])
    prior = np.diag(1.0 / np.array([TURN_SD_RAD * METRE] * 3 + [SHIFT_SD_MM] * 3) ** 2)
    sd = max(noise_mm, 0.02)
    weights, left = np.ones(len(some.mm)), some.mm
    for _ in range(4):
        weighted = J * (weights / sd**2)[:, None]
        inverse = np.linalg.inv(weighted.T @ J + prior)
        motion = inverse @ (weighted.T @ some.mm)
        left = some.mm - J @ motion
        spread = max(robust.MAD_TO_SD * float(np.median(np.abs(left))), noise_mm)
        weights = robust.tukey(left, robust.TUKEY_SD * spread)
    used = weights > 0
    left_mm = float(np.sqrt(np.mean(left[used] ** 2)))
    before = float(np.sqrt(np.mean(some.mm[used] ** 2)))
    if used.mean() < 0.7 or left_mm > max(LEFT_SHARE * before, 3 * noise_mm) or left_mm > max(LEFT_MM, 3 * noise_mm):
        return None
    normal = some.normals.mean(axis=0)
    normal /= np.linalg.norm(normal)
    turn_rad, turn_sd_rad = _turn(some, middle, used, sd_mm, noise_mm)
    signed = np.sort(some.mm[used])
    most = signed[int(0.98 * (len(signed) - 1))] if np.median(signed) > 0 else signed[int(0.02 * (len(signed) - 1))]
    return Panel(
        first=pair[0],
        second=pair[1],
        cells=filled,
        at_mm=middle,
        normal=normal,
        low_mm=some.at_mm.min(axis=0),
        high_mm=some.at_mm.max(axis=0),
        median_mm=float(np.median(signed)),
        most_mm=float(most),
        sd_mm=sd_mm,
        turn_rad=turn_rad,
        turn_sd_rad=turn_sd_rad,
        left_mm=left_mm,
    )


def _turn(some: Apart, middle: np.ndarray, used: np.ndarray, sd_mm: float, noise_mm: float) -> tuple[float, float]:
    """How far a panel is turned about an axis in it, rad, with its standard uncertainty: the slope of its distances. A
    slide along a curved panel looks like a turn in a rigid motion, and does not count here."""
    off = some.at_mm[used] - middle
    _, _, axes = np.linalg.svd(off, full_matrices=False)
    rows = np.column_stack([np.ones(len(off)), off @ axes[:2].T])
    slopes = np.linalg.lstsq(rows, some.mm[used], rcond=None)[0][1:]
    spread = np.sqrt(np.mean((off @ axes[:2].T) ** 2, axis=0))
    own = noise_mm / np.sqrt(len(off))
    # errors of pose and drift bend over a panel as much as they shift it, at most
    return float(np.linalg.norm(slopes)), float(np.hypot(own, sd_mm) / spread.min())
