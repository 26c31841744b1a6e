"""Polylines with fewer points: within a chord error that is asked for, and with the deviation that came of it."""

import numba
import numpy as np


def simplify(points_mm: np.ndarray, tolerance_mm: float) -> np.ndarray:
    """A polyline, (k, 2), without the points that lie within a tolerance of the line between those that stay.

    Source: D. Douglas, T. Peucker, Cartographica 10 (1973) 112.
    """
    return points_mm[kept(points_mm, tolerance_mm)]


def kept(points_mm: np.ndarray, tolerance_mm: float) -> np.ndarray:
    """Which points of a polyline, (k, 2), :func:`simplify` leaves, (k,) bool; its ends are among them."""
    return _kept(np.ascontiguousarray(points_mm, np.float64), tolerance_mm)


def chord_error(points_mm: np.ndarray, keep: np.ndarray, reduced_mm: np.ndarray) -> float:
    """The largest distance of a polyline, (k, 2), from what it was reduced to, mm.

    ``keep``, (k,) bool: the points that stay; ``reduced_mm``: these points as they are handed on, rounded for instance.
    The distance of a stretch from its chord is largest at a point of the stretch; no point of a chord is further from
    its stretch, which leads from one end of the chord to the other.
    """
    return float(_chord_error(np.asarray(points_mm, np.float64), np.flatnonzero(keep), np.asarray(reduced_mm)))


@numba.njit(cache=True)
def distance(points: np.ndarray, at: int, reduced: np.ndarray, first: int) -> float:
    """Distance of ``points[at]`` from the stretch of ``reduced`` between its rows ``first`` and ``first + 1``."""
    x, y = reduced[first + 1, 0] - reduced[first, 0], reduced[first + 1, 1] - reduced[first, 1]
    off_x, off_y = points[at, 0] - reduced[first, 0], points[at, 1] - reduced[first, 1]
    square = x * x + y * y
    share = min(max((off_x * x + off_y * y) / square, 0.0), 1.0) if square > 0.0 else 0.0
    return np.sqrt((off_x - share * x) ** 2 + (off_y - share * y) ** 2)


@numba.njit(cache=True)
def _chord_error(points, rows, reduced):
    furthest = 0.0
    for chord in range(len(rows) - 1):
        for at in range(rows[chord], rows[chord + 1] + 1):
            furthest = max(furthest, distance(points, at, reduced, chord))
    return furthest


@numba.njit(cache=True)
def _kept(points, tolerance):
    """Which points stay, (k,) bool."""
    keep = np.zeros(len(points), np.bool_)
    keep[0] = keep[-1] = True
    waiting, ends = [(0, len(points) - 1)], np.empty((2, 2))
    while waiting:
        first, last = waiting.pop()
        ends[0], ends[1] = points[first], points[last]
        furthest, at = tolerance, -1
        for between in range(first + 1, last):
            off = distance(points, between, ends, 0)
            if off > furthest:
                furthest, at = off, between
        if at >= 0:
            keep[at] = True
            waiting.append((first, at))
            waiting.append((at, last))
    return keep
