"""Duplicate layers: a second copy of a surface beside the first, left by a tracking slip or a motion too fast.

Cells in which the points lie in two sheets (see ``sheets``) form an area where they touch and the sheets' distances
agree. Of the two sheets the better supported one stays: the one that continues beyond the area's border, where only one
is left, and that has more points. Where these criteria do not decide, both stay and are flagged.
"""

from dataclasses import dataclass
from typing import Literal

import numba
import numpy as np

from nightbay.clean import sheets
from nightbay.clean.neighbours import Cells, Grid
from nightbay.clean.result import DuplicateLayer

SMALLEST_AREA = 5.0  # an area smaller than a square of so many times the smallest thing to keep is noise or a detail
PARALLEL = 0.5  # cosine of 60 degrees between the normals of touching cells of one area
LEAST_BESIDE = 2  # points of either sheet beside a point that may continue one of them: one may be noise
LEAST_IN_CELLS = 3  # points of one sheet in the cells around: one or two may be noise
ALIKE = 0.3  # distances of two sheets in touching cells differ by no more than this share, plus the noise
CLOSE = 1 / 3  # a point belongs to a sheet when it is off by less than this share of the sheets' distance
# Shares between -1 (all for the inner sheet) and 1. Border cells follow the right surface, save where the slipped run
# saw what no other did; a decision wants a clear majority there, and no clear majority of points against it.
CLEAR, AGAINST = 0.5, 0.3
KEPT_SHEET: dict[int, Literal["outer", "inner", "both"]] = {1: "outer", -1: "inner", 0: "both"}  # by verdict


@dataclass(frozen=True)
class Layers:
    """``gone`` (n,) bool points of the worse sheet; ``undecided`` (n,) bool points of both where it is not clear
    which is the worse; ``areas`` in which there are two sheets."""

    gone: np.ndarray
    undecided: np.ndarray
    areas: list[DuplicateLayer]


def find(
    cells: Cells,
    use: np.ndarray,
    noise_mm: float,
    smallest_mm: float,
    panel_mm: float = np.inf,
    sided: bool = True,
) -> Layers:
    """Duplicate :class:`Layers` among the points that ``use``, (n,) bool, selects; arrays in the order of ``cells``.

    Sheets are separated at distances from five times the noise to ``smallest_mm`` or six spacings, whichever is less.
    Estimated normals do not distinguish the sides of a surface (``sided`` False). Sheets further apart than
    ``panel_mm`` may then be the two sides of a panel: both stay, flagged.
    """
    window = min(2, int(np.ceil(smallest_mm / cells.edge_mm)))
    apart_mm, facing, level = sheets.split(cells.grid, use, noise_mm, window, sided)
    area = _areas(cells.runs, apart_mm, facing, noise_mm)
    area, count = _large(area, (SMALLEST_AREA * smallest_mm / cells.edge_mm) ** 2)
    points_a_cell = np.diff(cells.start)
    level[np.repeat(area, points_a_cell) < 0] = sheets.NONE
    border = _extend(cells.grid, use, area, apart_mm, level)
    distance_mm = np.array([np.median(apart_mm[area == number]) for number in range(count)])
    right = np.where(distance_mm <= panel_mm, _verdicts(cells, area, border, level, count), 0)
    wrong = np.where(right > 0, sheets.INNER, np.where(right < 0, sheets.OUTER, sheets.NONE))
    wrong_here = np.repeat(np.append(wrong, sheets.NONE)[np.where(area >= 0, area, border)], points_a_cell)
    gone = (level > 0) & (level == wrong_here)
    undecided = (level > 0) & (wrong_here == sheets.NONE) & (np.repeat(area, points_a_cell) >= 0)
    areas = [
        DuplicateLayer(
            float(np.count_nonzero(area == number) * cells.edge_mm**2),
            float(distance_mm[number]),
            KEPT_SHEET[int(right[number])],
        )
        for number in range(count)
    ]
    return Layers(gone, undecided, areas)


def _large(area: np.ndarray, fewest: float) -> tuple[np.ndarray, int]:
    """Areas of at least so many cells, numbered anew: area of each cell, (m,), -1 for none; how many there are."""
    large = np.bincount(area[area >= 0]) >= fewest
    number = np.append(np.where(large, np.cumsum(large) - 1, -1), -1)
    return number[area].astype(np.int32), int(large.sum())


def _verdicts(cells: Cells, area: np.ndarray, border: np.ndarray, level: np.ndarray, count: int) -> np.ndarray:
    """For each area: 1 the outer sheet is right, -1 the inner one, 0 undecided; (count,) int8.

    ``area`` and ``border`` (m,) of each cell, ``level`` (n,) of each point, see :func:`find`.
    """
    of_point = np.repeat(area, np.diff(cells.start))
    inside = of_point >= 0
    inner = np.bincount(of_point[inside & (level == sheets.INNER)], minlength=count)
    outer = np.bincount(of_point[inside & (level == sheets.OUTER)], minlength=count)
    points = (outer - inner) / np.maximum(outer + inner, 1)
    cell = np.repeat(np.arange(len(cells)), np.diff(cells.start))
    many = np.column_stack([np.bincount(cell[level == which], minlength=len(cells)) for which in (1, 2)])
    many[border < 0] = 0
    # with the cells beside it: the boundary of two cells may run between the sheets
    total = np.vstack([np.zeros((1, 2), np.int64), np.cumsum(many, axis=0)])
    many = sum(total[cells.runs[:, run, 1]] - total[cells.runs[:, run, 0]] for run in range(9))
    one_only = (border >= 0) & ((many[:, 0] == 0) != (many[:, 1] == 0)) & (many.sum(axis=1) >= LEAST_IN_CELLS)
    follows = [np.bincount(border[one_only & (many[:, at] > 0)], minlength=count) for at in (0, 1)]
    # a square area has 4 sqrt(cells) cells round it: what less than a quarter of the border shows may be noise
    quarter = np.sqrt(np.bincount(area[area >= 0], minlength=count))
    ends = (follows[1] - follows[0]) / np.maximum(follows[1] + follows[0], quarter)
    outer_right = (ends >= CLEAR) & (points >= -AGAINST) | (points >= CLEAR) & (ends >= -AGAINST)
    inner_right = (ends <= -CLEAR) & (points <= AGAINST) | (points <= -CLEAR) & (ends <= AGAINST)
    return outer_right.astype(np.int8) - inner_right.astype(np.int8)


@numba.njit(cache=True)
def _areas(runs: np.ndarray, apart_mm: np.ndarray, facing: np.ndarray, noise_mm: float) -> np.ndarray:
    """Area of each cell, (m,) int32, by touching cells whose sheets are about equally far apart and lie alike; -1: one
    sheet."""
    area = np.full(len(runs), -1, np.int32)
    stack = np.empty(len(runs), np.int64)
    count = 0
    for seed in range(len(runs)):
        if apart_mm[seed] == 0 or area[seed] >= 0:
            continue
        area[seed] = count
        stack[0], top = seed, 1
        while top:
            top -= 1
            cell = stack[top]
            for run in range(9):
                for other in range(runs[cell, run, 0], runs[cell, run, 1]):
                    slack = ALIKE * max(apart_mm[cell], apart_mm[other]) + noise_mm
                    if apart_mm[other] == 0 or area[other] >= 0 or abs(apart_mm[cell] - apart_mm[other]) > slack:
                        continue
                    if (facing[cell] * facing[other]).sum() >= PARALLEL:
                        area[other] = count
                        stack[top] = other
                        top += 1
        count += 1
    return area


@numba.njit(cache=True)
def _extend(grid: Grid, use: np.ndarray, area: np.ndarray, apart_mm: np.ndarray, level: np.ndarray) -> np.ndarray:
    """Follow the sheets of each area one cell beyond it: the area that a cell borders on, (m,) int32, -1 for none.

    Gives the points of these cells their sheet in ``level`` where they continue one. Heights between two points are
    taken by the mean of their normals, which an even curvature leaves at zero.
    """
    xyz_mm, normal, start, runs = grid.xyz_mm, grid.normal, grid.start, grid.runs
    border = np.full(len(runs), -1, np.int32)
    for cell in range(len(runs)):
        if area[cell] >= 0:
            continue
        for at in range(start[cell], start[cell + 1]):
            if not use[at]:
                continue
            height_inner, height_outer, inner, outer, apart = 0.0, 0.0, 0, 0, 0.0
            for run in range(9):
                for other_cell in range(runs[cell, run, 0], runs[cell, run, 1]):
                    if area[other_cell] < 0 or (border[cell] >= 0 and area[other_cell] != border[cell]):
                        continue
                    border[cell], apart = area[other_cell], apart_mm[other_cell]
                    for other in range(start[other_cell], start[other_cell + 1]):
                        if not use[other] or level[other] == 0:
                            continue
                        height, length = 0.0, 0.0
                        for axis in range(3):
                            mean = normal[at, axis] + normal[other, axis]
                            height += (xyz_mm[at, axis] - xyz_mm[other, axis]) * mean
                            length += mean * mean
                        length = np.sqrt(length)
                        if length < 2 * sheets.FACING:
                            continue
                        if level[other] == sheets.INNER:
                            height_inner += height / length
                            inner += 1
                        else:
                            height_outer += height / length
                            outer += 1
            if inner < LEAST_BESIDE or outer < LEAST_BESIDE:
                continue
            above_inner, above_outer = height_inner / inner, height_outer / outer
            if abs(above_inner) <= min(CLOSE * apart, abs(above_outer)):
                level[at] = sheets.INNER
            elif abs(above_outer) <= CLOSE * apart:
                level[at] = sheets.OUTER
    return border
