"""Estimates how much a survey drifts, from targets recorded twice and from lengths that differ between lists.

Both give a standard deviation that grows with the path or the distance, in mm/m, with its own standard error.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

GROUPS = 10  # of targets, each left out once, for the standard error
PATH_MIN_M = 1.0  # a shorter path gathers less drift than its own noise
QUANTILE_95 = 1.645  # of the standard normal distribution, one-sided

Method = Literal["closures", "lengths against the segments"]


@dataclass(frozen=True)
class Drift:
    """``value_mm_per_m`` with ``sd_mm_per_m``, found by ``method``; ``upper_mm_per_m``: its one-sided 95 % limit;
    ``count`` of observations it rests on."""

    value_mm_per_m: float
    sd_mm_per_m: float
    upper_mm_per_m: float
    count: int
    method: Method


def from_closures(distance_mm: np.ndarray, path_m: np.ndarray, noise_mm: float) -> Drift | None:
    """Drift from targets recorded twice: (k,) distances of both records and length of the path between, metres.

    Squared distance = 6 noise^2 (three coordinates of two records) + 3 (drift * path)^2. None for fewer than three.
    """
    use = path_m > PATH_MIN_M
    if use.sum() < 3:
        return None
    squared = (distance_mm[use] ** 2 - 6 * noise_mm**2) / (3 * path_m[use] ** 2)
    weight = path_m[use] ** 4 / (2 * noise_mm**2 + np.median(np.abs(squared)) * path_m[use] ** 2) ** 2
    value = float(np.average(squared, weights=weight))
    left_out = [np.average(np.delete(squared, at), weights=np.delete(weight, at)) for at in range(len(squared))]
    return _drift(value, _jackknife(left_out), int(use.sum()), "closures")


def from_lengths(lists_a: Sequence[np.ndarray], lists_b: Sequence[np.ndarray]) -> Drift | None:
    """Drift of one list: for each pair of lists the common targets (n, 3), (n, 3), both in any frame.

    The squared difference of each length that two targets span grows as a + b length^2; b is the variance of both lists
    together, of which each is taken to have half. Standard errors by leaving out a tenth of the targets at a time, for
    lengths share targets. None for fewer than ten common targets in all lists.
    """
    if sum(len(a) for a in lists_a if len(a) >= 4) < 10:
        return None
    lengths, squares, groups = [], [], []
    for a, b in zip(lists_a, lists_b, strict=True):
        if len(a) < 4:
            continue
        i, j = np.triu_indices(len(a), 1)
        length_a, length_b = np.linalg.norm(a[i] - a[j], axis=1), np.linalg.norm(b[i] - b[j], axis=1)
        lengths.append(length_a / 1000)
        squares.append((length_a - length_b) ** 2)
        groups.append(np.column_stack([i % GROUPS, j % GROUPS]))
    length, squared, group = np.concatenate(lengths), np.concatenate(squares), np.concatenate(groups)
    value = _slope(length, squared)
    kept = [(group != left).all(axis=1) for left in range(GROUPS)]
    left_out = [_slope(length[rows], squared[rows]) for rows in kept]
    return _drift(value / 2, _jackknife(left_out) / 2, len(squared), "lengths against the segments")


def _slope(length: np.ndarray, squared: np.ndarray) -> float:
    """b of squared = a + b length^2, weighted by its own variance, 2 (a + b length^2)^2."""
    design = np.column_stack([np.ones_like(length), length**2])
    weight = np.ones_like(length)
    for _ in range(4):
        normal = (design * weight[:, None]).T @ design
        a, b = np.linalg.lstsq(normal, (design * weight[:, None]).T @ squared, rcond=None)[0]
        expected = np.maximum(design @ [max(a, 0.0), max(b, 0.0)], 1e-2 * squared.mean() + 1e-30)
        weight = 1 / expected**2
    return float(b)


def _jackknife(left_out: Sequence[float]) -> float:
    """Standard error of an estimate from those that each leave one group out."""
    n = len(left_out)
    return float(np.sqrt((n - 1) / n * ((np.array(left_out) - np.mean(left_out)) ** 2).sum()))


def _drift(squared: float, sd_squared: float, count: int, method: Method) -> Drift:
    value = float(np.sqrt(max(squared, 0.0)))
    upper = float(np.sqrt(max(squared + QUANTILE_95 * sd_squared, 0.0)))
    # near zero the square root has no slope: the distance to the upper limit gives the standard error there
    sd = sd_squared / (2 * value) if value > 0 and squared > sd_squared else (upper - value) / QUANTILE_95
    return Drift(value, float(sd), upper, count, method)
