"""The order in which an export's points were captured: by a time column, or by the order of the file itself."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

PIECES, PIECE_POINTS = 50, 400  # pieces of a run, and points in each, from which it is judged whether it keeps order
# Spread of the points of a piece against that of all points, as a ratio of variances: 1 where points are shuffled. A
# fiftieth of a run sees a small part of it. A part that fits into one field of view shows its order too weakly.
SPREAD_MOST = 0.6
TAILS = 0.01  # share of the points at either end of an axis that may be outliers far away
FEWEST_TIMES = 50  # different values of a time column: with fewer it does not order a run


@dataclass(frozen=True)
class CaptureOrder:
    """How a run's points follow each other.

    ``by``: "time" for a time column, "file" for the order of the file. ``rows`` (n,) int64 from the first to the last
    captured, None where this is the file's own order. ``time`` (n,) or None: the column, in the order of the file.
    """

    by: Literal["time", "file"]
    rows: np.ndarray | None
    time: np.ndarray | None

    def some(self, start: int, stop: int, most: int) -> np.ndarray | slice:
        """Rows of at most ``most`` points, evenly from the ``start``-th to the ``stop``-th captured."""
        step = slice(start, stop, max(1, -(-(stop - start) // most)))
        return step if self.rows is None else np.sort(self.rows[step])

    def row(self, number: int) -> int:
        """Row in the file of the ``number``-th captured point, from 0."""
        return number if self.rows is None else int(self.rows[number])


def find(xyz_mm: np.ndarray, time: np.ndarray | None) -> CaptureOrder | None:
    """The order of capture of points (n, 3), None where the export shows none.

    ``time`` (n,) float64 or None: a time or frame of each point. The order is accepted where points that follow each
    other lie closer together than points at random. A file that is sorted in space passes too; its stretches do not
    come back over the same surface, so they are compared along their borders only, where nothing has slipped.
    """
    orders = [CaptureOrder("file", None, None)]
    if time is not None and _is_usable(time):
        rising = all(np.all(np.diff(time[at : at + 1_000_001]) >= 0) for at in range(0, len(time), 1_000_000))
        orders.insert(0, CaptureOrder("time", None if rising else np.argsort(time, kind="stable"), time))
    return next((order for order in orders if spread(xyz_mm, order) <= SPREAD_MOST), None)


def _is_usable(time: np.ndarray) -> bool:
    """Whether a time column has a finite value for every point and enough different values."""
    some = np.asarray(time[:: max(1, len(time) // 100_000)])
    return bool(np.isfinite(time).all()) and len(np.unique(some)) >= FEWEST_TIMES


def spread(xyz_mm: np.ndarray, order: CaptureOrder) -> float:
    """Variance of the points within pieces of a run against the variance of all, outliers drawn in."""
    bounds = np.linspace(0, len(xyz_mm), PIECES + 1).astype(np.int64)
    pieces = [
        np.asarray(xyz_mm[order.some(start, stop, PIECE_POINTS)])
        for start, stop in zip(bounds[:-1], bounds[1:], strict=True)
        if stop > start
    ]
    everything = np.concatenate(pieces)
    low, high = np.quantile(everything, [TAILS, 1 - TAILS], axis=0)
    whole = np.clip(everything, low, high).var(axis=0).sum()
    within = np.mean([np.clip(piece, low, high).var(axis=0).sum() for piece in pieces])
    return float(within / max(whole, 1e-12))
