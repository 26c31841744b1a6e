"""Smooth curves through the polylines of a section: cubic B-splines within a stated deviation, broken at corners.

A corner is a point at which the polyline, reduced within the tolerance, turns by more than :data:`CORNER_DEG`. A smooth
curve of radius r is followed within a tolerance e by chords that turn by about ``sqrt(8 e / r)`` each: at 0.2 mm what
is rounded with less than 6 mm counts as a corner. Splines pass through corners and ends exactly.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numba
import numpy as np
from scipy import interpolate

from nightbay.sections import reduction

CORNER_DEG = 30.0
DEGREE = 3
SAME_MM = 1e-6  # points nearer than this are one: where a plane passes by a vertex it crosses edges as close as that
FEWEST = 16  # points that a stretch is fitted to, at least: on its line further ones are put between the polyline's
ENDS = 10.0  # weight of the ends of a stretch against the points between: they are moved to their places afterwards
TRIES = 16  # of a stretch with ever less smoothing, before it is broken in two
DENSE = 4  # samples of a curve for each point of its polyline
WINDOW = 12  # stretches to either side of the one of the same parameter, among which the nearest is looked for


@dataclass(frozen=True)
class Spline:
    """A cubic B-spline in the plane of a section: ``control_mm`` (k, 2); ``knots`` (k + 4,), from 0 to 1, the ends
    fourfold; ``deviation_mm``: the largest distance between it and its polyline, in both directions, at dense samples;
    ``closed``: it returns to its start without a corner."""

    control_mm: np.ndarray
    knots: np.ndarray
    deviation_mm: float
    closed: bool

    def at(self, parameters: np.ndarray) -> np.ndarray:
        """Points (k, 2) of the curve, mm, at parameters (k,) from 0 to 1."""
        return interpolate.BSpline(self.knots, self.control_mm, DEGREE)(parameters)


def through(points_mm: np.ndarray, closed: bool, tolerance_mm: float) -> list[Spline]:
    """Splines, one after another, along a polyline (k, 2), none further from it than the tolerance.

    ``closed``: the polyline ends where it begins.
    """
    points = _distinct(points_mm)
    if len(points) < 2 or (closed and len(points) < 4):
        return []
    breaks = corners(points, closed, tolerance_mm)
    if closed and len(breaks):
        points, breaks = _turned(points, breaks)
    elif closed:
        whole = _fit(points, True, tolerance_mm)
        if whole is not None:
            return [whole]
    bounds = [0, *(at for at in breaks if 0 < at < len(points) - 1), len(points) - 1]
    found: list[Spline] = []
    for first, last in zip(bounds[:-1], bounds[1:], strict=True):
        found += _pieces(points[first : last + 1], tolerance_mm)
    return found


def _distinct(points_mm: np.ndarray) -> np.ndarray:
    """A polyline without the points that lie on the one before; its ends stay."""
    apart = np.linalg.norm(np.diff(points_mm, axis=0), axis=1) > SAME_MM
    keep = np.append(True, apart)
    if not keep[-1] and keep.sum() > 1:  # the last point takes the place of the one that it lies on
        keep[np.flatnonzero(keep)[-1]] = False
        keep[-1] = True
    return points_mm[keep]


def corners(points_mm: np.ndarray, closed: bool, tolerance_mm: float) -> np.ndarray:
    """Rows of the corners of a polyline, (k,) ascending; of a closed one the start, row 0, may be one, its end not."""
    rows = np.flatnonzero(reduction.kept(points_mm, tolerance_mm))
    steps = np.diff(points_mm[rows], axis=0)
    before, after, at = steps[:-1], steps[1:], rows[1:-1]
    if closed:
        before, after, at = np.vstack([steps[-1], before]), np.vstack([steps[0], after]), rows[:-1]
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    return at[np.abs(np.degrees(np.arctan2(cross, (before * after).sum(axis=1)))) > CORNER_DEG]


def _turned(points: np.ndarray, breaks: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A closed polyline that begins at its first corner, and its corners."""
    first = breaks[0]
    return np.vstack([points[first:-1], points[: first + 1]]), breaks - first


def _pieces(points: np.ndarray, tolerance_mm: float) -> Iterator[Spline]:
    """Splines along an open stretch: one, or where that is not within the tolerance two halves, and so on."""
    found = _fit(points, False, tolerance_mm)
    if found is not None:
        yield found
        return
    middle = len(points) // 2
    yield from _pieces(points[: middle + 1], tolerance_mm)
    yield from _pieces(points[middle:], tolerance_mm)


def _fit(points: np.ndarray, closed: bool, tolerance_mm: float) -> Spline | None:
    """The spline of the fewest knots found along a stretch within the tolerance; None where there is none."""
    if not closed:
        straight = _straight(points)
        if len(points) == 2 or straight.deviation_mm <= tolerance_mm:
            return straight
    dense, along = _densified(points)
    weights = np.ones(len(dense))
    if not closed:
        weights[[0, -1]] = ENDS
    allowed = len(dense) * (tolerance_mm / 2) ** 2
    for _ in range(TRIES):
        (tck, _), _, fault, _ = interpolate.splprep(
            dense.T, w=weights, u=along, s=allowed, k=DEGREE, per=int(closed), full_output=1, quiet=1
        )
        if fault <= 0:
            spline = _clamped(tck, points[[0, -1]], closed)
            deviation_mm = deviation(spline, dense, along)
            if deviation_mm <= tolerance_mm:
                return replace(spline, deviation_mm=deviation_mm)
        allowed /= 2.0
    return None


def _straight(points: np.ndarray) -> Spline:
    """The straight line between the ends of a stretch, with its deviation from it."""
    keep = np.zeros(len(points), bool)
    keep[[0, -1]] = True
    share = np.linspace(0.0, 1.0, DEGREE + 1)[:, None]
    control = points[0] + share * (points[-1] - points[0])
    knots = np.repeat([0.0, 1.0], DEGREE + 1)
    return Spline(control, knots, reduction.chord_error(points, keep, points[[0, -1]]), False)


def _densified(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A stretch with further points on its line, (n, 2), none further apart than its length over :data:`FEWEST`; and
    the share of the length before each, (n,)."""
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    parts = np.ceil(steps / (steps.sum() / FEWEST)).astype(int).clip(1)
    start = np.repeat(np.arange(len(parts)), parts)
    share = (np.arange(len(start)) - np.repeat(np.cumsum(parts) - parts, parts)) / parts[start]
    dense = np.vstack([points[start] + share[:, None] * (points[start + 1] - points[start]), points[-1]])
    along = np.append(0.0, np.cumsum(steps[start] / parts[start]))
    return dense, along / along[-1]


def _clamped(tck: tuple, ends: np.ndarray, closed: bool) -> Spline:
    """What ``splprep`` found, with knots fourfold at both ends and, on an open stretch, its ends put in place.

    A periodic curve is the same on the same inner knots with other outer ones: it is interpolated at as many places as
    there are control points, their Greville abscissae.
    """
    knots = np.concatenate([np.zeros(DEGREE + 1), tck[0][DEGREE + 1 : -DEGREE - 1], np.ones(DEGREE + 1)])
    control = np.column_stack(tck[1])[: len(knots) - DEGREE - 1]
    if closed:
        places = np.mean([knots[at : len(knots) - DEGREE - 1 + at] for at in range(1, DEGREE + 1)], axis=0)
        values = np.column_stack(interpolate.splev(places, tck))
        control = interpolate.make_interp_spline(places, values, DEGREE, knots).c
        control[-1] = control[0]
    else:
        control[[0, -1]] = ends
    return Spline(control, knots, np.inf, closed)


def deviation(spline: Spline, points: np.ndarray, along: np.ndarray) -> float:
    """The largest distance between a spline and a polyline (k, 2), in both directions, mm.

    ``along`` (k,): parameter of each point. Looked for is the nearest of the stretches about the same parameter, so
    that the distance is never understated, as it could be by a stretch that passes close by from elsewhere.
    """
    parameters = np.interp(np.arange(DENSE * (len(along) - 1) + 1) / DENSE, np.arange(len(along)), along)
    samples = np.ascontiguousarray(spline.at(parameters))
    points = np.ascontiguousarray(points)
    return float(
        max(_furthest(samples, parameters, points, along), _furthest(points, along, samples, parameters, DENSE))
    )


@numba.njit(cache=True)
def _furthest(points, at, line, along, finer=1):
    """The largest distance of ``points`` at parameters ``at`` from a ``line`` whose points are at ``along``."""
    furthest, stretch = 0.0, 0
    for row in range(len(points)):
        while stretch < len(line) - 2 and along[stretch + 1] <= at[row]:
            stretch += 1
        nearest = np.inf
        for near in range(max(stretch - WINDOW * finer, 0), min(stretch + WINDOW * finer + 1, len(line) - 1)):
            nearest = min(nearest, reduction.distance(points, row, line, near))
        furthest = max(furthest, nearest)
    return furthest
