"""Whether a place of a surface was measured poorly, as dark or glossy trim is: more scatter than on the body, or far
fewer points than around.

The body is its own standard: most of it is paint. Cells of its surface show how much scatter and how sudden a change of
the points' number is usual; where a place is beyond what one in a thousand sound ones would be, and by a margin that
matters, it is poor. Two surfaces that segments left a little apart scatter too, and can't be told from trim by that.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from nightbay.measure.body import Body
from nightbay.measure.result import Angle, Dimension, PoorEnd
from nightbay.meshes import surface, vertices

CELL_MM = 60.0  # edge of a cell, and
CELL_BY_SUPPORT = 4.0  # at least so many sides of a square with the support's area: 16 times 16 vertices
LEAST_VERTICES = 16  # in a cell, and of them
LEAST_COUNTED = 8  # with a scatter of their own
LEAST_COUNT = 2.0  # points at a vertex, below which its scatter says too little
AROUND_MM = 400.0  # a bumper or a sill is lower than this, and has paint beside it
SOUND = 3.09  # standard deviations of the normal distribution that one in a thousand exceeds, on one side
# Times the usual: less is significant on a large patch and changes no dimension (this project's choice).
LEAST_SCATTER, MOST_COUNT = 1.4, 0.5
CAUSE = "poorly measured surface"  # cause of an uncertainty of unknown size, in a budget
FEWEST_CELLS = 100  # of a body that shows what is usual
# Quantile of the normal distribution one standard deviation below its middle. That half is used: trim is in the other.
ONE_SD = 15.87


@dataclass(frozen=True)
class Quality:
    """What is usual on a body: cells at ``centre_mm`` (c, 3) with the logarithms of their ``scatter`` (c,), NaN where
    not known, and ``count`` (c,); middles and standard deviations of the scatter, and of the count less that around."""

    centre_mm: np.ndarray
    scatter: np.ndarray
    count: np.ndarray
    usual_scatter: tuple[float, float]
    usual_count: tuple[float, float]
    cell_mm: float
    tree: cKDTree


def quality(body: Body) -> Quality | None:
    """The :class:`Quality` of a body; None where its surface carries no scatter and count, or is too small."""
    columns = body.surface.vertex
    if "count" not in columns or "spread_mm" not in columns:
        return None
    cell_mm = max(CELL_MM, CELL_BY_SUPPORT * float(np.sqrt(body.support_mm2)))
    sums = _sums(body, cell_mm)
    sums = sums[:, sums[0] >= LEAST_VERTICES]
    many, counted = sums[:2]
    scatter = np.where(counted >= LEAST_COUNTED, sums[2] / np.maximum(counted, 1.0), np.nan)
    points_a_vertex, centre = sums[3] / many, (sums[4:] / many).T
    if np.count_nonzero(np.isfinite(scatter)) < FEWEST_CELLS:
        return None
    tree = cKDTree(centre)
    change = points_a_vertex - _around(tree, centre, points_a_vertex)
    middle = float(np.nanmedian(scatter))
    level = float(np.median(change))
    less, more = np.abs(np.percentile(change, [ONE_SD, 100.0 - ONE_SD]) - level)
    return Quality(
        centre,
        scatter,
        points_a_vertex,
        (middle, middle - float(np.nanpercentile(scatter, ONE_SD))),
        (level, float(max(less, more))),
        cell_mm,
        tree,
    )


def _sums(body: Body, cell_mm: float) -> np.ndarray:
    """Sums over the vertices in each cell of the body's box, (7, cells): how many there are; of those with a scatter of
    their own how many, and its logarithm; the logarithm of the number of points, and the place. Block by block.

    A surface through few points follows their noise: with n of them it takes up about one more than their mean does.
    """
    box = vertices.bounds(body.vertices_mm, body.areas)
    if box is None:
        return np.zeros((7, 0))
    low = np.floor(box[0].astype(np.float64) / cell_mm).astype(np.int64)
    extent = np.floor(box[1].astype(np.float64) / cell_mm).astype(np.int64) - low + 1
    cells = int(np.prod(extent))
    sums = np.zeros((7, cells))
    columns = {name: body.surface.vertex[name] for name in ("count", "spread_mm")}
    for rows in surface.spans(len(body.areas)):
        some = surface.block(columns, rows)
        measured = (body.areas[rows] > 0.0) & (some["count"] > 0.0) & (some["spread_mm"] > 0.0)
        points = body.vertices_mm[rows][measured].astype(np.float64)
        count = some["count"][measured].astype(np.float64)
        spread = some["spread_mm"][measured].astype(np.float64)
        at = np.floor(points / cell_mm).astype(np.int64) - low
        cell = (at[:, 0] * extent[1] + at[:, 1]) * extent[2] + at[:, 2]
        known = count >= LEAST_COUNT
        scatter = np.log(spread[known]) + 0.5 * np.log(count[known] / (count[known] - 1.0))
        sums[0] += np.bincount(cell, minlength=cells)
        sums[1] += np.bincount(cell[known], minlength=cells)
        sums[2] += np.bincount(cell[known], scatter, cells)
        sums[3] += np.bincount(cell, np.log(count), cells)
        for axis in range(3):
            sums[4 + axis] += np.bincount(cell, points[:, axis], cells)
    return sums


def _around(tree: cKDTree, places: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Upper quartile of the cells' ``values`` within :data:`AROUND_MM` of places (k, 3), (k,): half may be trim."""
    near = tree.query_ball_point(places, AROUND_MM)
    return np.array([np.percentile(values[rows], 75.0) if rows else np.nan for rows in near])


def at(known: Quality | None, point_mm: np.ndarray | None) -> PoorEnd | None:
    """What is poor at a point (3,) of the surface; None where nothing is, or nothing shows it."""
    if known is None or point_mm is None:
        return None
    near = known.tree.query_ball_point(point_mm, known.cell_mm)
    if not near:
        return None
    # the nearer a cell's middle, the more of the place is in it
    weight = np.maximum(1.0 - np.linalg.norm(known.centre_mm[near] - point_mm, axis=1) / known.cell_mm, 1e-6)
    shown = np.isfinite(known.scatter[near])
    scatter = float(np.average(known.scatter[near][shown], weights=weight[shown])) if shown.any() else np.nan
    change = float(np.average(known.count[near], weights=weight) - _around(known.tree, point_mm[None], known.count)[0])
    by = []
    if _beyond(scatter, known.usual_scatter) and scatter - known.usual_scatter[0] > np.log(LEAST_SCATTER):
        by.append("scatter")
    if _beyond(-change, (-known.usual_count[0], known.usual_count[1])) and change < np.log(MOST_COUNT):
        by.append("count")
    if not by:
        return None
    times = float(np.exp(scatter - known.usual_scatter[0])) if shown.any() else 1.0
    return PoorEnd(np.asarray(point_mm, np.float64), times, float(np.exp(change)), by)


def notes(stated: Iterable[Dimension | Angle]) -> list[str]:
    """A sentence on the values that such ends define, where there are any; each value has its own."""
    poor = [value for value in stated if value.poor_ends]
    if not poor:
        return []
    most = max(end.scatter for value in poor for end in value.poor_ends)
    least = min(end.count for value in poor for end in value.poor_ends)
    return [
        f"The surface that defines {len(poor)} of the dimensions and angles was measured poorly, as dark or glossy "
        f"trim is, or segments disagree there: it scatters up to {most:.1f} times as much as the body, and has down to "
        f"{least:.0%} of the points around: check these values by hand, or dull the surface and scan it again."
    ]


def _beyond(value: float, usual: tuple[float, float]) -> bool:
    """Whether a value lies further above the middle than sound ones do; False for NaN."""
    return bool(value > usual[0] + SOUND * usual[1])
