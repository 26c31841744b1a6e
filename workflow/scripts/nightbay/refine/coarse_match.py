"""Poses in which two segments may fit, found from the shape of their surfaces alone, without a start.

Points with rare features (FPFH: R. Rusu, N. Blodow, M. Beetz, ICRA 2009) are matched between the thinned segments; two
matches agree when distance and normals of their points are the same in both segments. Sets of matches that agree
with each other, counted to the second order (Z. Chen et al., SC2-PCR, CVPR 2022), each give a pose. Nothing is drawn
at random: the result is reproducible, and a symmetric part gives all of its alternatives.
"""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from nightbay.clouds.cloud import CloudFile
from nightbay.core import rigid
from nightbay.core.native import open3d

SAMPLE = 400_000  # points of a segment that are thinned: ten and more a cell of the thinned cloud
RARE = 1000  # points of a segment that are matched: those with the rarest features
MATCHES = 2000  # most matches: all pairs of them are compared
NEAREST = 5  # features that a point is matched with
SEEDS = 40  # sets of agreeing matches that are tried
LEAST_CELLS = 50  # of a thinned segment: fewer have no shape to register by (common practice, no source)
LEAST_MEMBERS = 3  # of a set of matches: a rigid motion needs three points
SET_SHARE = 0.5  # of the best count in a seed's row: matches that support it half as much as the best belong to its set
ALIKE = 0.25  # difference of cosines of angles that agree: 15 deg across, as normals of cells err
LEAST_NORMAL = 0.5  # length of the mean of a cell's unit normals
FEATURE_CELLS = 5  # radius of a feature in cells


@dataclass(frozen=True)
class ThinnedSegment:
    """A thinned segment: one mean point a cell, (n, 3) mm in the segment frame, float64, with unit normals."""

    xyz_mm: np.ndarray
    normal: np.ndarray
    cell_mm: float


def thin(cloud: CloudFile, cell_mm: float) -> ThinnedSegment:
    """Thin a working cloud to one point a cube of ``cell_mm``, in the order of the cubes."""
    sample = cloud.sample(SAMPLE)
    assert sample.normal is not None  # clean leaves normals of every point
    xyz_mm = sample.xyz_mm.astype(np.float64)
    _, cell = np.unique(np.floor(xyz_mm / cell_mm).astype(np.int64), axis=0, return_inverse=True)
    cell = cell.ravel()
    count = np.bincount(cell)

    def mean(values: np.ndarray) -> np.ndarray:
        return np.column_stack([np.bincount(cell, values[:, axis]) for axis in range(3)]) / count[:, None]

    normal = mean(sample.normal.astype(np.float64))
    length = np.linalg.norm(normal, axis=1)
    keep = length > LEAST_NORMAL  # cells whose points face different ways are edges of thin things
    return ThinnedSegment(mean(xyz_mm)[keep] + cloud.origin_mm, normal[keep] / length[keep, None], cell_mm)


def features(thinned: ThinnedSegment) -> np.ndarray:
    """FPFH of each point, (n, 33)."""
    o3d = open3d()
    points = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(thinned.xyz_mm - thinned.xyz_mm.mean(axis=0)))
    points.normals = o3d.utility.Vector3dVector(thinned.normal)
    search = o3d.geometry.KDTreeSearchParamHybrid(radius=FEATURE_CELLS * thinned.cell_mm, max_nn=200)
    return np.asarray(o3d.pipelines.registration.compute_fpfh_feature(points, search).data).T.copy()


def candidate_poses(a: ThinnedSegment, b: ThinnedSegment) -> list[np.ndarray]:
    """Poses ``T_a_b`` (list of (4, 4)) in which thinned segments may fit, those with most agreeing matches first."""
    if min(len(a.xyz_mm), len(b.xyz_mm)) < LEAST_CELLS:
        return []
    rows_a, rows_b = _matches(features(a), features(b))
    agree = _agreement(a, b, rows_a, rows_b)
    second = agree * (agree @ agree)
    poses: list[np.ndarray] = []
    left = np.ones(len(rows_a), bool)
    for _ in range(SEEDS):
        support = np.where(left, second.sum(axis=1), -1.0)
        seed = int(np.argmax(support))
        if support[seed] <= 0:
            break
        members = np.flatnonzero(second[seed] >= SET_SHARE * second[seed].max())
        left[seed] = False
        at = a.xyz_mm[rows_a[members]]
        if len(members) < LEAST_MEMBERS or _width_mm(at) < a.cell_mm:
            continue  # points on a line do not determine the rotation about it
        T_a_b = rigid.fit(at, b.xyz_mm[rows_b[members]])
        poses.append(T_a_b)
        away = np.linalg.norm(a.xyz_mm[rows_a] - rigid.transform(T_a_b, b.xyz_mm[rows_b]), axis=1)
        left &= away > 2 * a.cell_mm
    return poses


def _width_mm(points: np.ndarray) -> float:
    """RMS extent of three points or more, (n, 3), across the line that fits them best, in its wider direction."""
    return float(np.linalg.svd(points - points.mean(axis=0), compute_uv=False)[1] / np.sqrt(len(points)))


def _matches(features_a: np.ndarray, features_b: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rows of a and of b whose features are near each other, from the rarest of both."""
    both = []
    for mine, other, swapped in ((features_a, features_b, False), (features_b, features_a, True)):
        rarity = cKDTree(mine).query(mine, k=min(10, len(mine)))[0][:, -1]
        rare = np.argsort(-rarity, kind="stable")[:RARE]
        distance, nearest = cKDTree(other).query(mine[rare], k=min(NEAREST, len(other)))
        rows = np.column_stack([np.repeat(rare, nearest.shape[1]), nearest.ravel()])
        relative = (distance / np.maximum(rarity[rare, None], 1e-9)).ravel()
        both.append(np.column_stack([relative, rows[:, ::-1] if swapped else rows]))
    found = np.concatenate(both)
    found = found[np.lexsort(found.T[::-1])]
    _, first = np.unique(found[:, 1:], axis=0, return_index=True)
    chosen = found[np.sort(first)[:MATCHES], 1:].astype(np.int64)
    return chosen[:, 0], chosen[:, 1]


def _agreement(a: ThinnedSegment, b: ThinnedSegment, rows_a: np.ndarray, rows_b: np.ndarray) -> np.ndarray:
    """Which matches agree, (m, m) float32 of zeros and ones: same distance, same angles of normals and connection."""
    apart, angles = [], []
    for thinned, rows in ((a, rows_a), (b, rows_b)):
        xyz = thinned.xyz_mm[rows] - thinned.xyz_mm.mean(axis=0)
        normal = thinned.normal[rows]
        square = np.sum(xyz**2, axis=1)
        distance = np.sqrt(np.maximum(square[:, None] + square[None] - 2 * xyz @ xyz.T, 0.0))
        along = np.sum(normal * xyz, axis=1)[:, None] - normal @ xyz.T  # normal of i times the vector from j to i
        apart.append(distance)
        angles.append((normal @ normal.T, along / np.maximum(distance, 1.0)))
    agree = (np.abs(apart[0] - apart[1]) < 1.5 * a.cell_mm) & (apart[0] > 2 * FEATURE_CELLS * a.cell_mm)
    agree &= np.abs(angles[0][0] - angles[1][0]) < ALIKE
    across = np.abs(angles[0][1] - angles[1][1]) < ALIKE
    agree &= across & across.T
    return agree.astype(np.float32)
