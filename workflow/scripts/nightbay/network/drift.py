"""Estimates how much a survey drifts, from what it recorded twice and from how lengths differ between lists.

Both give a standard deviation that grows with the way or the distance, in mm/m, with its own standard error.
"""

from dataclasses import dataclass

import numpy as np

GROUPS = 10  # of targets, each left out once, for the standard error


@dataclass(frozen=True)
class Drift:
    """``value_mm_per_m`` with ``sd_mm_per_m``, found by ``method``; ``high_mm_per_m``: 95 % of the estimates of such
    data stay below; ``count`` of observations it rests on."""

    value_mm_per_m: float
    sd_mm_per_m: float
    high_mm_per_m: float
    count: int
    method: str


def from_closures(distance_mm, path_m, noise_mm):
    """Drift from targets recorded twice: (k,) distances of both records and the way walked between, metres.

    Squared distance = 6 noise^2 (three coordinates of two records) + 3 (drift * way)^2. None for fewer than three.
    """
    distance_mm, path_m = np.asarray(distance_mm, float), np.asarray(path_m, float)
    use = path_m > 1.0
    if use.sum() < 3:
        return None
    squared = (distance_mm[use] ** 2 - 6 * noise_mm**2) / (3 * path_m[use] ** 2)
    weight = path_m[use] ** 4 / (2 * noise_mm**2 + np.median(np.abs(squared)) * path_m[use] ** 2) ** 2
    value = np.average(squared, weights=weight)
    left_out = [np.average(np.delete(squared, at), weights=np.delete(weight, at)) for at in range(len(squared))]
    return _drift(value, _jackknife(left_out), int(use.sum()), "closures")


def from_lengths(lists_a, lists_b):
    """Drift of one list: for each pair of lists the common targets (n, 3), (n, 3), both in any frame.

    The squared difference of each length that two targets span grows as a + b length^2; b is the variance of both lists
    together, of which each is taken to have half. Standard errors by leaving out a tenth of the targets at a time, for
    lengths share targets. None for fewer than ten common targets in all lists.
    """
    if sum(len(one) for one in lists_a if len(one) >= 4) < 10:
        return None
    length, squared, owner = [], [], []
    for a, b in zip(lists_a, lists_b, strict=True):
        if len(a) < 4:
            continue
        i, j = np.triu_indices(len(a), 1)
        one, two = np.linalg.norm(a[i] - a[j], axis=1), np.linalg.norm(b[i] - b[j], axis=1)
        length.append(one / 1000)
        squared.append((one - two) ** 2)
        owner.append(np.column_stack([i % GROUPS, j % GROUPS]))
    length, squared, owner = np.concatenate(length), np.concatenate(squared), np.concatenate(owner)
    value = _slope(length, squared)
    left_out = [_slope(length[rows], squared[rows]) for at in range(GROUPS) for rows in [(owner != at).all(axis=1)]]
    return _drift(value / 2, _jackknife(left_out) / 2, len(squared), "lengths against the segments")


def _slope(length, squared):
    """b of squared = a + b length^2, weighted by its own variance, 2 (a + b length^2)^2."""
    design = np.column_stack([np.ones_like(length), length**2])
    weight = np.ones_like(length)
    for _ in range(4):
        normal = (design * weight[:, None]).T @ design
        a, b = np.linalg.lstsq(normal, (design * weight[:, None]).T @ squared, rcond=None)[0]
        expected = np.maximum(design @ [max(a, 0.0), max(b, 0.0)], 1e-2 * squared.mean() + 1e-30)
        weight = 1 / expected**2
    return float(b)


def _jackknife(left_out):
    n = len(left_out)
    return float(np.sqrt((n - 1) / n * ((np.array(left_out) - np.mean(left_out)) ** 2).sum()))


def _drift(squared, sd_squared, count, method):
    value = float(np.sqrt(max(squared, 0.0)))
    high = float(np.sqrt(max(squared + 1.645 * sd_squared, 0.0)))
    # near zero the square root has no slope; then half of the way to the upper end stands for the standard error
    sd = sd_squared / (2 * value) if value > 0 and squared > sd_squared else (high - value) / 1.645
    return Drift(value, float(sd), high, count, method)
