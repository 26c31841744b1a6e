"""A section as it is handed on: reduced polylines and splines in a plane, with lengths and measured deviations."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightbay.sections import reduction, splines
from nightbay.sections.cutting import Outline
from nightbay.sections.plane import Plane
from nightbay.sections.splines import Spline

DECIMALS = 3  # of the coordinates that are handed on, mm
ROUNDED = 0.5 * 10.0**-DECIMALS * 2**0.5  # how far rounding both coordinates moves a point, at most, mm


@dataclass(frozen=True)
class Section:
    """A plane, the reduced ``outlines`` in it, and ``curves``: splines through each measured one, by its place.

    ``length_mm`` and ``filled_mm``: lengths of the measured and of the filled outlines before they were reduced;
    ``chord_mm``: the largest distance of those from the reduced ones, rounded coordinates included; ``curve_mm``: the
    largest distance of the splines from those, in both directions; 0 where there are none.
    """

    plane: Plane
    outlines: list[Outline]
    curves: dict[int, list[Spline]]
    length_mm: float
    filled_mm: float
    chord_mm: float
    curve_mm: float


def section(plane: Plane, outlines: Sequence[Outline], chord_mm: float, curve_mm: float) -> Section:
    """The section of a plane from its outlines.

    ``chord_mm``: how far a reduced polyline may be from the surface's own outline; ``curve_mm``: how far a spline may.
    """
    lengths, off = {False: 0.0, True: 0.0}, 0.0
    reduced, curves = [], {}
    for at, line in enumerate(outlines):
        lengths[line.filled] += length(line.points_mm)
        keep = reduction.kept(line.points_mm, max(chord_mm - ROUNDED, 0.0))
        points = np.round(line.points_mm[keep], DECIMALS) + 0.0
        off = max(off, reduction.chord_error(line.points_mm, keep, points))
        reduced.append(Outline(points, line.filled, line.closed, line.number))
        if not line.filled:
            curves[at] = splines.through(line.points_mm, line.closed, curve_mm)
    worst = max((curve.deviation_mm for found in curves.values() for curve in found), default=0.0)
    return Section(plane, reduced, curves, lengths[False], lengths[True], off, worst)


def length(points_mm: np.ndarray) -> float:
    """Length of a polyline, (k, 2) or (k, 3), mm."""
    return float(np.linalg.norm(np.diff(points_mm, axis=0), axis=1).sum())
