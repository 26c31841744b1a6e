"""Areas in which a surface deviates significantly: a test for each patch, with the false discoveries limited.

A point alone says little, and there are very many of them. So the points of a patch are averaged, and each patch is
tested against its own uncertainty. What the points of a patch have in common (poses, drift, frame, registration) does
not average out; their noise does. Of the areas listed, the expected share that is no change is limited: not of the
patches, since a large panel that changed is hundreds of true ones, and a twentieth of them as many false areas.
"""

from dataclasses import dataclass

import numpy as np
from scipy import sparse, special
from scipy.sparse import csgraph
from scipy.spatial import cKDTree

LEAST_POINTS = 4  # in a patch: fewer do not show their scatter
BEND = 0.97  # least length of the mean of a patch's unit normals: a flatter patch than 14 degrees to either side
COVERAGE = 2  # k of expanded uncertainties


@dataclass(frozen=True)
class Compared:
    """Points of one surface with their deviation from another, (n,) or (n, 3) each, mm.

    ``points_mm`` with unit ``normals``; ``area_mm2`` that each stands for; ``deviation_mm``, NaN without a counterpart;
    ``common_sd_mm``: standard uncertainty that neighbours share; ``noise_sd_mm``: that which they do not.
    """

    points_mm: np.ndarray
    normals: np.ndarray
    area_mm2: np.ndarray
    deviation_mm: np.ndarray
    common_sd_mm: np.ndarray
    noise_sd_mm: np.ndarray

    @property
    def sd_mm(self) -> np.ndarray:
        """Standard uncertainty of each point's deviation, (n,) mm."""
        return np.hypot(self.common_sd_mm, self.noise_sd_mm)

    @property
    def uncertainty_median_mm(self) -> float | None:
        """Median of the expanded uncertainties of the points that are compared, mm; None where none is known."""
        known = self.sd_mm[np.isfinite(self.sd_mm) & np.isfinite(self.deviation_mm)]
        return float(COVERAGE * np.median(known)) if len(known) else None


@dataclass(frozen=True)
class Options:
    """``patch_mm``: edge of a patch; ``level``: the expected share of areas found that are no change, 0..1; areas
    smaller than ``least_mm2``, or that deviate by less than ``least_mm``, are of no interest and not listed."""

    patch_mm: float
    level: float
    least_mm2: float
    least_mm: float


@dataclass(frozen=True)
class ChangedArea:
    """An area in which one surface deviates significantly from another, one sign throughout.

    ``area_mm2``; ``mean_mm`` and ``largest_mm``, the largest of a patch, signed, with its expanded ``uncertainty_mm``
    (k = 2); ``at_mm`` (3,): where the largest is; ``low_mm`` and ``high_mm`` (3,): bounds; ``normal`` (3,): the mean
    normal.
    """

    area_mm2: float
    mean_mm: float
    largest_mm: float
    uncertainty_mm: float
    at_mm: np.ndarray
    low_mm: np.ndarray
    high_mm: np.ndarray
    normal: np.ndarray


@dataclass(frozen=True)
class Changes:
    """``areas``, the largest first; ``area_of`` (n,) int32: for each point the number of its area from 1, 0 for none;
    ``patches`` that were tested; ``least_z``: how many standard uncertainties the least of those found
    deviates by, None where none does."""

    areas: list[ChangedArea]
    area_of: np.ndarray
    patches: int
    least_z: float | None


def false_discovery_rows(p: np.ndarray, level: float, tests: int | None = None) -> np.ndarray:
    """Rows of those of the probabilities ``p``, (n,), that are discoveries with an expected false share of ``level``.

    ``tests`` that were made, n unless given: ``p`` may be the least of each group of tests, without those in no group.
    Y. Benjamini, Y. Hochberg, J. R. Statist. Soc. B 57 (1995) 289; it holds for tests that are positively dependent, as
    patches with common causes are (Y. Benjamini, D. Yekutieli, Annals of Statistics 29 (2001) 1165).
    """
    order = np.argsort(p, kind="stable")
    made = max(len(p) if tests is None else tests, 1)
    below = np.flatnonzero(p[order] <= level * np.arange(1, len(p) + 1) / made)
    return np.sort(order[: below[-1] + 1]) if len(below) else np.empty(0, np.int64)


def find(compared: Compared, options: Options) -> Changes:
    """The :class:`Changes` between two surfaces.

    Patches that are discoveries give an area its extent. It is listed where the least probable of them makes it a
    discovery among the areas: no more false areas than false patches are expected below any probability, so every patch
    counts as a test.
    """
    patches = _patches(compared, options.patch_mm)
    z = np.abs(patches.mean_mm) / patches.sd_mm
    p = 2.0 * special.stdtr(patches.degrees_of_freedom, -z)
    found = false_discovery_rows(p, options.level)
    group = _connected(patches, found, options.patch_mm)
    least_p = np.ones(group.max(initial=-1) + 1)
    np.minimum.at(least_p, group, p[found])
    kept = false_discovery_rows(least_p, options.level, tests=len(p))
    number = np.zeros(len(z) + 1, np.int32)  # the last is for points of no patch
    areas = []
    for label in kept:
        rows = found[group == label]
        largest_mm = np.abs(patches.mean_mm[rows]).max()
        if patches.area_mm2[rows].sum() >= options.least_mm2 and largest_mm >= options.least_mm:
            areas.append((_area(compared, patches, rows), rows))
    areas.sort(key=lambda each: -each[0].area_mm2)
    for place, (_, rows) in enumerate(areas, 1):
        number[rows] = place
    return Changes(
        areas=[area for area, _ in areas],
        area_of=number[patches.of_point],
        patches=len(z),
        least_z=float(z[found[np.isin(group, kept)]].min()) if len(kept) else None,
    )


@dataclass(frozen=True)
class _Patches:
    """The patches that are tested, k of them; ``of_point`` (n,): the patch of each point, -1 for none;
    ``degrees_of_freedom`` (k,): those of ``sd_mm``."""

    of_point: np.ndarray
    middle_mm: np.ndarray
    area_mm2: np.ndarray
    mean_mm: np.ndarray
    sd_mm: np.ndarray
    degrees_of_freedom: np.ndarray


def _patches(compared: Compared, patch_mm: float) -> _Patches:
    """Points of one cube that face alike, where the surface is not bent too much and there are enough of them.

    At an edge a measured surface is rounded by its own grid, and a small shift along it looks like a deviation: its
    points scatter more than their noise. So the scatter counts where it is the larger; in the sum with what they share,
    it has the degrees of freedom of so few points (Welch-Satterthwaite, JCGM 100:2008, G.4.1). What is stated has no
    more: points that agree by chance are no proof of it.
    """
    used = np.flatnonzero(np.isfinite(compared.deviation_mm) & np.isfinite(compared.sd_mm) & (compared.area_mm2 > 0.0))
    normals = compared.normals[used]
    facing = np.argmax(np.abs(normals), axis=1)
    sign = np.take_along_axis(normals, facing[:, None], axis=1)[:, 0] < 0.0
    cube = np.floor(compared.points_mm[used] / patch_mm).astype(np.int64)
    _, patch = np.unique(np.column_stack([cube, facing * 2 + sign]), axis=0, return_inverse=True)
    patch = patch.reshape(-1)
    count = np.bincount(patch)

    def mean(values: np.ndarray) -> np.ndarray:
        return np.bincount(patch, values, len(count)) / np.maximum(count, 1)

    bend = np.linalg.norm(np.column_stack([mean(normals[:, axis]) for axis in range(3)]), axis=1)
    deviation = compared.deviation_mm[used]
    centre = mean(deviation)
    free = np.maximum(count - 1, 1)
    scatter = np.sqrt(np.bincount(patch, (deviation - centre[patch]) ** 2, len(count)) / free)
    stated = np.sqrt(mean(compared.noise_sd_mm[used] ** 2))
    noise = np.maximum(stated, scatter) / np.sqrt(np.maximum(count, 1))
    sd = np.hypot(np.sqrt(mean(compared.common_sd_mm[used] ** 2)), noise)
    with np.errstate(divide="ignore", invalid="ignore"):
        degrees_of_freedom = free * (sd / noise) ** 4
    tested = (count >= LEAST_POINTS) & (bend >= BEND) & (sd > 0.0)
    number = np.where(tested, np.cumsum(tested) - 1, -1)
    of_point = np.full(len(compared.deviation_mm), -1, np.int64)
    of_point[used] = number[patch]
    return _Patches(
        of_point,
        np.column_stack([mean(compared.points_mm[used, axis]) for axis in range(3)])[tested],
        np.bincount(patch, compared.area_mm2[used], len(count))[tested],
        centre[tested],
        sd[tested],
        degrees_of_freedom[tested],
    )


def _connected(patches: _Patches, found: np.ndarray, patch_mm: float) -> np.ndarray:
    """Number of the connected group of each of the patches ``found``, (k,): neighbours that deviate the same way."""
    if not len(found):
        return np.empty(0, np.int64)
    pairs = cKDTree(patches.middle_mm[found]).query_pairs(1.5 * patch_mm, output_type="ndarray")
    same = np.sign(patches.mean_mm[found[pairs[:, 0]]]) == np.sign(patches.mean_mm[found[pairs[:, 1]]])
    links = pairs[same]
    graph = sparse.coo_matrix((np.ones(len(links)), (links[:, 0], links[:, 1])), (len(found), len(found)))
    return csgraph.connected_components(graph, directed=False)[1]


def _area(compared: Compared, patches: _Patches, rows: np.ndarray) -> ChangedArea:
    """The area that consists of the patches ``rows``."""
    most = rows[np.argmax(np.abs(patches.mean_mm[rows]))]
    mine = np.flatnonzero(np.isin(patches.of_point, rows))
    points, weight = compared.points_mm[mine], compared.area_mm2[mine]
    near = patches.of_point[mine] == most
    middle = points[near][np.argmin(np.linalg.norm(points[near] - patches.middle_mm[most], axis=1))]
    normal = weight @ compared.normals[mine]
    return ChangedArea(
        area_mm2=float(weight.sum()),
        mean_mm=float(np.average(compared.deviation_mm[mine], weights=weight)),
        largest_mm=float(patches.mean_mm[most]),
        uncertainty_mm=float(COVERAGE * patches.sd_mm[most]),
        at_mm=middle,
        low_mm=points.min(axis=0),
        high_mm=points.max(axis=0),
        normal=normal / max(float(np.linalg.norm(normal)), 1e-12),
    )
