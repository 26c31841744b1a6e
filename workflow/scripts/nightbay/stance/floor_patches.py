"""The floor as a segment saw it: heights of small patches, whose unevenness all segments share."""

from typing import NamedTuple

import numpy as np

from nightbay.core import robust

PATCH_MM = 150.0  # a floor changes by tenths of a millimetre within it (common practice, no source)
MOST_PATCHES = 120  # of a segment: the equations grow with their square
FEWEST = 5  # points of a patch
LEAST_SD_MM = 0.03  # of a patch's height: what its shape leaves
MEDIAN_SE = 1.2533  # standard error of a normal sample's median to that of its mean


class FloorPatches(NamedTuple):
    """Patches of floor in the level frame: ``at_mm`` (n, 3) with the median height, ``sd_mm`` (n,) of it from noise."""

    at_mm: np.ndarray
    sd_mm: np.ndarray


def gather(points_mm: np.ndarray) -> FloorPatches:
    """The :class:`FloorPatches` of floor points (n, 3) in the level frame; larger ones where there is much floor."""
    edge = PATCH_MM
    while True:
        at, sd = _gather(points_mm, edge)
        if len(at) <= MOST_PATCHES:
            return FloorPatches(at, sd)
        edge *= float(np.sqrt(len(at) / MOST_PATCHES)) * 1.05


def _gather(points_mm: np.ndarray, edge_mm: float) -> tuple[np.ndarray, np.ndarray]:
    if not len(points_mm):
        return np.empty((0, 3)), np.empty(0)
    cell = np.floor(points_mm[:, :2] / edge_mm).astype(np.int64)
    _, number, count = np.unique(cell, axis=0, return_inverse=True, return_counts=True)
    order = np.argsort(number.ravel(), kind="stable")
    at, sd = [], []
    for mine in np.split(order, np.cumsum(count)[:-1]):
        if len(mine) < FEWEST:
            continue
        some = points_mm[mine]
        middle = float(np.median(some[:, 2]))
        spread = robust.MAD_TO_SD * float(np.median(np.abs(some[:, 2] - middle)))
        at.append([*some[:, :2].mean(axis=0), middle])
        sd.append(max(MEDIAN_SE * spread / np.sqrt(len(mine)), LEAST_SD_MM))
    return np.reshape(at, (-1, 3)), np.array(sd)


def unevenness_mm(patches: list[FloorPatches], least_mm: float) -> float:
    """Standard deviation of the floor about a plane, from each segment's patches about their own plane; at least
    ``least_mm``."""
    found = []
    for own in patches:
        if len(own.at_mm) >= FEWEST:
            rows = np.column_stack([np.ones(len(own.at_mm)), own.at_mm[:, :2] - own.at_mm[:, :2].mean(axis=0)])
            left = own.at_mm[:, 2] - rows @ np.linalg.lstsq(rows, own.at_mm[:, 2], rcond=None)[0]
            found.append(np.std(left))
    return max(float(np.max(found)) if found else 0.0, least_mm)
