"""Correspondences in the overlap of two segments: small discs of surface that both segments have measured.

A seed is a point of segment a; its disc is a short cylinder along the seed's normal. The points of either segment
inside the same cylinder give a mean and a plane each. So a correspondence has the noise of a mean and not of a point,
and curvature, which moves both means alike, cancels. Points are read a tile at a time: memory grows with the seeds and
one tile, time with the points of the overlap.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import NamedTuple

import numpy as np
from numba import njit
from scipy.spatial import cKDTree

from nightbay.clouds.cloud import CloudFile
from nightbay.core import rigid

LEAST_CORRESPONDENCES = 50  # of a pair: fewer may be neighbours by coincidence
LEAST_POINTS = 6  # of a plane: three define it, three more give its spread
SAME_SIDE = 0.7  # cosine of 45 deg between a point's normal and the seed's: keeps the two skins of a panel apart
SAME_PLANE = 0.966  # cosine of 15 deg between the two planes: more is a crease or two different surfaces
CANDIDATES = 10  # points looked at for each seed taken
DIRECTIONS = 2  # steps of a normal's coordinate from 0 to 1: 50 directions, some 25 deg apart
EVEN = 3.0  # times the median spread about the plane: more is a disc across an edge, which two runs may sample unlike
EDGE = 8.0  # times the median spread: a disc across a rounded edge is still used where nothing better constrains a pose
STORED_MM = 0.005  # resolution of working clouds with a margin: least spread, for points without noise
# Columns of a disc's moments about its seed: count, sum of offsets, of their products (xx xy xz yy yz zz), of normals.
COUNT, OFFSETS, PRODUCTS, NORMALS = 0, slice(1, 4), slice(4, 10), slice(10, 13)
FIRST_OFFSET, FIRST_PRODUCT, FIRST_NORMAL, MOMENTS = 1, 4, 10, 13


@dataclass(frozen=True)
class Correspondences:
    """Discs that both segments have measured, (m,) of them; positions in mm in each segment's own frame.

    ``at_a``, ``at_b`` (m, 3) float64 mean points; ``normal_a``, ``normal_b`` (m, 3) unit, outward; ``sd_mm`` (m,)
    standard deviation of the distance between the two means along the normal, from the points' spread about their
    planes; ``even`` (m,) bool: False for discs across an edge, whose ``sd_mm`` is all of their spread and which err
    alike; ``share`` of segment a's points that lie on surface which b has measured too.
    """

    at_a: np.ndarray
    at_b: np.ndarray
    normal_a: np.ndarray
    normal_b: np.ndarray
    sd_mm: np.ndarray
    even: np.ndarray
    share: float

    def __len__(self) -> int:
        return len(self.sd_mm)


@dataclass(frozen=True)
class Search:
    """How two segments are compared: ``disc_radius_mm`` of a disc, ``distance_mm`` that the two surfaces may lie apart
    along the normal, and ``most`` correspondences of a pair."""

    disc_radius_mm: float
    distance_mm: float
    most: int


@dataclass(frozen=True)
class Pair:
    """Two segments, numbers ``a`` < ``b`` in the list of poses, and their :class:`Correspondences`."""

    a: int
    b: int
    discs: Correspondences


def pairs(clouds: Sequence[CloudFile], poses: Sequence[np.ndarray], search: Search) -> list[Pair]:
    """Every :class:`Pair` of working clouds that overlap in these poses ``T_control_segment``; see :func:`match`."""
    found = []
    for a, b in combinations(range(len(clouds)), 2):
        discs = match(clouds[a], clouds[b], rigid.invert(poses[b]) @ poses[a], search)
        print(f"segments {a} and {b}: {len(discs)} correspondences, {discs.share:.3f} of the first segment")
        if len(discs) >= LEAST_CORRESPONDENCES:
            found.append(Pair(a, b, discs))
    return found


def match(cloud_a: CloudFile, cloud_b: CloudFile, T_b_a: np.ndarray, search: Search) -> Correspondences:
    """:class:`Correspondences` of two working clouds in the pose ``T_b_a``, evenly over a's part of the overlap."""
    numbers = _touching_tiles(cloud_a, cloud_b, T_b_a, search.disc_radius_mm + search.distance_mm)
    seeds, axes, stands_for = _seeds(cloud_a, numbers, search.most)
    of_a = _moments(cloud_a, seeds, axes, search)
    of_b = _moments(cloud_b, rigid.transform(T_b_a, seeds), rigid.rotate(T_b_a, axes), search)
    both = (of_a[:, COUNT] >= LEAST_POINTS) & (of_b[:, COUNT] >= LEAST_POINTS)
    share = float(stands_for[both].sum() / len(cloud_a))
    seeds, of_a, of_b = seeds[both], of_a[both], of_b[both]
    mean_a, normal_a, spread_a = _planes(of_a)
    mean_b, normal_b, spread_b = _planes(of_b)
    keep = np.sum(rigid.rotate(T_b_a, normal_a) * normal_b, axis=1) > SAME_PLANE
    even = np.ones(len(keep), bool)
    for spread in (spread_a, spread_b):
        typical = max(float(np.median(spread)), STORED_MM) if len(spread) else STORED_MM
        even &= spread < EVEN * typical
        keep &= spread < EDGE * typical
    sd_mm = np.sqrt(
        np.where(even, spread_a**2 / of_a[:, COUNT] + spread_b**2 / of_b[:, COUNT], spread_a**2 + spread_b**2)
    )
    at_a, at_b = seeds + mean_a, rigid.transform(T_b_a, seeds) + mean_b
    return Correspondences(at_a[keep], at_b[keep], normal_a[keep], normal_b[keep], sd_mm[keep], even[keep], share)


def spacing_mm(cloud: CloudFile, most: int = 20_000) -> float:
    """Median distance between neighbouring points of a working cloud, from its fullest tile.

    It follows from the distance to the sixth neighbour, which depends little on how regularly the points lie: a disc of
    that radius holds six points at the density of a square grid.
    """
    points = cloud.tile(int(np.argmax(cloud.tiles["count"]))).xyz_mm.astype(np.float64)
    step = max(1, len(points) // most)
    sixth = cKDTree(points).query(points[::step], k=[min(7, len(points))])[0]
    return float(np.median(sixth) * np.sqrt(np.pi / 6))


def _touching_tiles(cloud_a: CloudFile, cloud_b: CloudFile, T_b_a: np.ndarray, margin_mm: float) -> np.ndarray:
    """Numbers of a's tiles whose box, seen from b, comes within the margin of a box of b."""
    corner = np.array(np.meshgrid([0, 1], [0, 1], [0, 1])).reshape(3, 8).T
    low, high = cloud_a.tiles["low_mm"].astype(np.float64), cloud_a.tiles["high_mm"].astype(np.float64)
    corners = np.where(corner[None], high[:, None], low[:, None]) + cloud_a.origin_mm
    seen = rigid.transform(T_b_a, corners.reshape(-1, 3)).reshape(-1, 8, 3) - cloud_b.origin_mm
    low, high = seen.min(axis=1) - margin_mm, seen.max(axis=1) + margin_mm
    touch = np.all(
        (low[:, None] <= cloud_b.tiles["high_mm"][None]) & (high[:, None] >= cloud_b.tiles["low_mm"][None]), axis=2
    )
    return np.flatnonzero(touch.any(axis=1))


def _seeds(cloud: CloudFile, numbers: np.ndarray, most: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Seeds from the tiles ``numbers``, at most ``most``: points (m, 3) mm and normals (m, 3) in the segment's frame,
    float64, and how many points each represents, (m,).

    An even sample of the points are candidates. Directions that few candidates face are taken whole, the others are
    thinned alike, because rare directions keep a fit from sliding (normal-space sampling: S. Rusinkiewicz, M. Levoy,
    3DIM 2001).
    """
    counts = cloud.tiles["count"][numbers]
    step = max(1, -(-int(counts.sum()) // (CANDIDATES * most)))
    ends = np.cumsum(counts)
    picks = [
        cloud.tiles["start"][number] + np.arange((counts[at] - ends[at]) % step, counts[at], step)
        for at, number in enumerate(numbers)
    ]
    rows = np.concatenate(picks) if picks else np.empty(0, np.int64)
    chosen = cloud.take(rows)
    assert chosen.normal is not None  # clean leaves normals of every point
    taken, weight = _evenly(chosen.normal, most)
    normals = chosen.normal[taken].astype(np.float64)
    return chosen.xyz_mm[taken].astype(np.float64) + cloud.origin_mm, normals, weight * step


def _evenly(normals: np.ndarray, most: int) -> tuple[np.ndarray, np.ndarray]:
    """Rows of at most ``most`` normals, evenly over all directions, and how many rows each represents."""
    cell = np.round(normals * DIRECTIONS).astype(np.int64)
    _, direction, count = np.unique(cell, axis=0, return_inverse=True, return_counts=True)
    direction = direction.ravel()
    quota = _quota(count, most)
    order = np.argsort(direction, kind="stable")
    rank = np.empty(len(order), np.int64)
    rank[order] = np.arange(len(order)) - np.repeat(np.cumsum(count) - count, count)
    every = -(-count // np.minimum(count, quota)) if len(count) else count
    taken = np.flatnonzero(rank % every[direction] == 0)
    return taken, every[direction[taken]].astype(np.float64)


def _quota(count: np.ndarray, most: int) -> int:
    """Largest number of rows per direction with which all directions together have at most ``most``."""
    low, high = 1, max(int(count.max(initial=1)), 1)
    while low < high:
        middle = (low + high + 1) // 2
        if np.minimum(count, middle).sum() <= most:
            low = middle
        else:
            high = middle - 1
    return low


class _Seeds(NamedTuple):
    """Seeds of discs sorted into the cells of a grid, for the kernel.

    ``keys`` (m,) of their cells, ascending; ``xyz_mm`` (m, 3) and unit ``axes`` (m, 3); the grid starts at ``low``
    (3,), has cells of the edge ``cell`` and ``width`` (3,) of them.
    """

    keys: np.ndarray
    xyz_mm: np.ndarray
    axes: np.ndarray
    low: np.ndarray
    cell: float
    width: np.ndarray


def _moments(cloud: CloudFile, seeds: np.ndarray, axes: np.ndarray, search: Search) -> np.ndarray:
    """Moments of the cloud's points in the seeds' discs, (m, 13) float64, see :data:`COUNT`."""
    moments = np.zeros((len(seeds), MOMENTS))
    if not len(seeds):
        return moments
    seeds = seeds - cloud.origin_mm
    cell = float(np.hypot(search.disc_radius_mm, search.distance_mm))
    low = seeds.min(axis=0) - 2 * cell
    index = np.floor((seeds - low) / cell).astype(np.int64)
    width = index.max(axis=0) + 2
    keys = (index[:, 0] * width[1] + index[:, 1]) * width[2] + index[:, 2]
    order = np.argsort(keys, kind="stable")
    grid = _Seeds(keys[order], seeds[order], axes[order], low, cell, width)
    sorted_moments = np.zeros_like(moments)
    high = seeds.max(axis=0) + cell
    tiles = cloud.tiles
    for number in np.flatnonzero(np.all((tiles["low_mm"] <= high) & (tiles["high_mm"] >= low + cell), axis=1)).tolist():
        block = cloud.tile(number)
        assert block.normal is not None
        _stream(block.xyz_mm, block.normal, grid, search.disc_radius_mm**2, search.distance_mm, sorted_moments)
    moments[order] = sorted_moments
    return moments


@njit(cache=True)
def _add(moments: np.ndarray, offset: np.ndarray, normal: np.ndarray) -> None:
    """Add one point to the moments (13,) of one disc."""
    moments[COUNT] += 1.0
    column = FIRST_PRODUCT
    for row in range(3):
        moments[FIRST_OFFSET + row] += offset[row]
        moments[FIRST_NORMAL + row] += normal[row]
        for other in range(row, 3):
            moments[column] += offset[row] * offset[other]
            column += 1


@njit(cache=True)
def _stream(
    points: np.ndarray, normals: np.ndarray, discs: _Seeds, radius2: float, distance: float, moments: np.ndarray
) -> None:
    """Add each point to the moments of every disc that it lies in.

    ``radius2``: square of a disc's radius; ``distance``: half of its height; ``moments`` (m, 13) are changed.
    """
    keys, seeds, axes, low, cell, width = discs
    offset = np.empty(3)
    for at in range(len(points)):
        ix, iy, iz = (
            int(np.floor((points[at, 0] - low[0]) / cell)),
            int(np.floor((points[at, 1] - low[1]) / cell)),
            int(np.floor((points[at, 2] - low[2]) / cell)),
        )
        if ix < 0 or iy < 0 or iz < 0 or ix > width[0] or iy > width[1] or iz > width[2]:
            continue
        for jx in range(ix - 1, ix + 2):
            for jy in range(iy - 1, iy + 2):
                row = (jx * width[1] + jy) * width[2] + iz
                seed = np.searchsorted(keys, row - 1)
                while seed < len(keys) and keys[seed] <= row + 1:
                    for axis in range(3):
                        offset[axis] = points[at, axis] - seeds[seed, axis]
                    height = offset @ axes[seed]
                    aligned = (
                        normals[at, 0] * axes[seed, 0] + normals[at, 1] * axes[seed, 1] + normals[at, 2] * axes[seed, 2]
                    )
                    if (
                        offset @ offset - height * height <= radius2
                        and abs(height) <= distance
                        and aligned >= SAME_SIDE
                    ):
                        _add(moments[seed], offset, normals[at])
                    seed += 1


def _planes(moments: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean offset (m, 3), unit normal (m, 3) and spread about the plane (m,) mm of discs from their moments."""
    count = moments[:, COUNT, None]
    mean = moments[:, OFFSETS] / count
    products = moments[:, PRODUCTS][:, [0, 1, 2, 1, 3, 4, 2, 4, 5]].reshape(-1, 3, 3)
    scatter = products - count[:, :, None] * mean[:, :, None] * mean[:, None, :]
    values, vectors = np.linalg.eigh(scatter)
    normal = vectors[:, :, 0]
    normal = normal * np.where(np.sum(normal * moments[:, NORMALS], axis=1) < 0, -1.0, 1.0)[:, None]
    return mean, normal, np.sqrt(np.maximum(values[:, 0], 0.0) / (moments[:, COUNT] - 3))
