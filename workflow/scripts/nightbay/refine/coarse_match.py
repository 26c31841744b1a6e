"""Poses in which two segments may fit, found from the shape of their surfaces alone, without a start.

Points with rare features (FPFH: R. Rusu, N. Blodow, M. Beetz, ICRA 2009) are matched between the thinned segments; two
matches agree when distance and normals of their points are the same in both segments. Sets of matches that agree
with each other, counted to the second order (Z. Chen et al., SC2-PCR, CVPR 2022), each give a pose. Nothing is drawn
at random: the result is reproducible, and a symmetric part gives all of its alternatives.
"""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.sparse import csr_matrix
from scipy.spatial import cKDTree

from nightbay.clouds.cloud import Cloud
from nightbay.core import rigid
from nightbay.core.native import open3d
from nightbay.refine import large_planes, overlap, segment_size
from nightbay.refine.merged_cloud import SAMPLE, MergedCloud, SampledCloud

RARE = 600  # points of a segment that are matched: those with the rarest features
MATCHES = 1200  # most matches: all pairs of them are compared
NEAREST = 5  # features that a point is matched with
SEEDS = 40  # sets of agreeing matches that are tried
LEAST_CELLS = 50  # of a thinned segment: fewer have no shape to register by (common practice, no source)
LEAST_MEMBERS = 3  # of a set of matches: a rigid motion needs three points
SET_SHARE = 0.5  # of the best count in a seed's row: matches that support it half as much as the best belong to its set
ALIKE = 0.25  # difference of cosines of angles that agree: 15 deg across, as normals of cells err
LEAST_NORMAL = 0.5  # length of the mean of a cell's unit normals
FEATURE_CELLS = 5  # radius of a feature in cells
BESIDE = 2.0  # cells: neighbours of a cell, a dozen on a surface


@dataclass(frozen=True)
class ThinnedSegment:
    """A thinned segment: one mean point a cell, (n, 3) mm in the segment frame, float64, with unit normals.

    ``sided``: whether the normals show the outer side; estimated ones may face either side.
    """

    xyz_mm: np.ndarray
    normal: np.ndarray
    cell_mm: float
    sided: bool = True

    @property
    def turned(self) -> "ThinnedSegment":
        """The segment with its normals turned over."""
        return replace(self, normal=-self.normal)

    @cached_property
    def distinctive(self) -> np.ndarray:
        """Which cells (n,) bool lie off the large planes, see :mod:`refine.large_planes`."""
        return large_planes.off_large_planes(self.xyz_mm, self.normal, self.cell_mm)

    @cached_property
    def neighbours(self) -> csr_matrix:
        """Which cells lie beside each other, (n, n) of ones."""
        pairs = cKDTree(self.xyz_mm).query_pairs(BESIDE * self.cell_mm, output_type="ndarray")
        rows, columns = np.concatenate([pairs, pairs[:, ::-1]]).T
        count = len(self.xyz_mm)
        return csr_matrix((np.ones(len(rows), np.float32), (rows, columns)), (count, count))


class SearchedSegment:
    """A segment whose pose is searched, thinned to cells of several sizes, each once.

    ``spacing_mm`` of its points; ``width_mm`` of :mod:`segment_size`; ``sure``: whether its normals are known to show
    the outer side; ``sided``: whether they are used as if they did; ``inside``: whether it is one of a room.
    """

    def __init__(self, cloud: SampledCloud, sure: bool = True, sided: bool = True) -> None:
        self._cloud = cloud
        self.sure = sure
        self.sided = sided
        self._thinned: dict[float, ThinnedSegment] = {}
        self.spacing_mm = cloud.spacing_mm if isinstance(cloud, MergedCloud) else overlap.spacing_mm(cloud)
        self.width_mm = segment_size.width_mm(cloud, self.spacing_mm)
        self.inside = sided and segment_size.is_inside(cloud)

    def thinned(self, cell_mm: float) -> ThinnedSegment:
        """The segment thinned to ``cell_mm``, see :func:`thin`."""
        if cell_mm not in self._thinned:
            self._thinned[cell_mm] = thin(self._cloud, cell_mm, self.sided)
        return self._thinned[cell_mm]

    def without_sides(self) -> "SearchedSegment":
        """The segment as it is searched without the sides of its normals; itself where these are known."""
        return self if self.sure else SearchedSegment(self._cloud, self.sure, False)

    def halves(self, cell_mm: float) -> list[ThinnedSegment]:
        """Two halves of the segment's points, see :func:`halves`."""
        return halves(self._cloud, cell_mm, self.sided)


def thin(cloud: SampledCloud, cell_mm: float, sided: bool = True) -> ThinnedSegment:
    """Thin a cloud to one point a cube of ``cell_mm``, in the order of the cubes.

    ``sided``: see :class:`ThinnedSegment`.
    """
    thinned = _thin(cloud.sample(SAMPLE), cell_mm, sided)
    return replace(thinned, xyz_mm=thinned.xyz_mm + cloud.origin_mm)


def halves(cloud: SampledCloud, cell_mm: float, sided: bool = True) -> list[ThinnedSegment]:
    """Two halves of a cloud's points, each thinned by itself, in cubes that are shifted by half a cube.

    What lies between them is noise and the coarseness of the cells alone.
    """
    sample = cloud.sample(SAMPLE)
    assert sample.normal is not None
    rows = [Cloud(sample.xyz_mm[start::2] + start * cell_mm / 2, sample.normal[start::2]) for start in (0, 1)]
    first, second = (_thin(half, cell_mm, sided) for half in rows)
    return [first, replace(second, xyz_mm=second.xyz_mm - cell_mm / 2)]


def _thin(cloud: Cloud, cell_mm: float, sided: bool) -> ThinnedSegment:
    """A cloud's mean points and normals in cubes of ``cell_mm``; without sides, all normals of a cube are turned to
    the side of one of them."""
    assert cloud.normal is not None  # clean leaves normals of every point
    xyz_mm = cloud.xyz_mm.astype(np.float64)
    normal = cloud.normal.astype(np.float64)
    _, first, cell = np.unique(
        np.floor(xyz_mm / cell_mm).astype(np.int64), axis=0, return_index=True, return_inverse=True
    )
    cell = cell.ravel()
    count = np.bincount(cell)
    if not sided:
        normal = normal * np.where(np.sum(normal * normal[first][cell], axis=1) < 0, -1.0, 1.0)[:, None]

    def mean(values: np.ndarray) -> np.ndarray:
        return np.column_stack([np.bincount(cell, values[:, axis]) for axis in range(3)]) / count[:, None]

    normal = mean(normal)
    length = np.linalg.norm(normal, axis=1)
    keep = length > LEAST_NORMAL  # cells whose points face different ways are edges of thin things
    return ThinnedSegment(mean(xyz_mm)[keep], normal[keep] / length[keep, None], cell_mm, sided)


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
    return _poses(a, b, *_matches(features(a), features(b)))


def own_motions(segment: ThinnedSegment) -> list[np.ndarray]:
    """Motions (list of (4, 4)) that may map a thinned segment onto itself, those with most agreeing matches first.

    Repeated and symmetric shapes have them; staying where it is does not count.
    """
    if len(segment.xyz_mm) < LEAST_CELLS:
        return []
    own = features(segment)
    rows, others = _matches(own, own)
    apart = np.linalg.norm(segment.xyz_mm[rows] - segment.xyz_mm[others], axis=1) > FEATURE_CELLS * segment.cell_mm
    return _poses(segment, segment, rows[apart], others[apart]) if apart.any() else []


def merge(a: ThinnedSegment, b: ThinnedSegment, T_a_b: np.ndarray) -> ThinnedSegment:
    """Both segments in the frame of a, thinned again."""
    xyz_mm = np.concatenate([a.xyz_mm, rigid.transform(T_a_b, b.xyz_mm)])
    normal = np.concatenate([a.normal, rigid.rotate(T_a_b, b.normal)])
    middle = xyz_mm.mean(axis=0)
    thinned = _thin(Cloud(xyz_mm - middle, normal), a.cell_mm, a.sided and b.sided)
    return replace(thinned, xyz_mm=thinned.xyz_mm + middle)


def _poses(a: ThinnedSegment, b: ThinnedSegment, rows_a: np.ndarray, rows_b: np.ndarray) -> list[np.ndarray]:
    """Poses ``T_a_b`` by sets of matches, rows of a and of b, that agree with each other."""
    agree = _agreement(a, b, rows_a, rows_b)
    second = agree * (agree @ agree)
    counted = second.sum(axis=1)
    poses: list[np.ndarray] = []
    left = np.ones(len(rows_a), bool)
    for _ in range(SEEDS):
        support = np.where(left, counted, -1.0)
        seed = int(np.argmax(support))
        if support[seed] <= 0:
            break
        members = np.flatnonzero(second[seed] >= SET_SHARE * second[seed].max())
        left[seed] = False
        at_a, at_b = a.xyz_mm[rows_a[members]], b.xyz_mm[rows_b[members]]
        if len(members) < LEAST_MEMBERS or min(_width_mm(at_a), _width_mm(at_b)) < a.cell_mm:
            continue  # points on a line do not determine the rotation about it
        T_a_b = rigid.fit(at_a, at_b)
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
        xyz = (thinned.xyz_mm[rows] - thinned.xyz_mm.mean(axis=0)).astype(np.float32)
        normal = thinned.normal[rows].astype(np.float32)
        square = np.sum(xyz**2, axis=1)
        distance = np.sqrt(np.maximum(square[:, None] + square[None] - 2 * xyz @ xyz.T, 0.0))
        along = np.sum(normal * xyz, axis=1)[:, None] - normal @ xyz.T  # normal of i times the vector from j to i
        apart.append(distance)
        angles.append((normal @ normal.T, along / np.maximum(distance, np.float32(1e-3 * thinned.cell_mm))))
    agree = (np.abs(apart[0] - apart[1]) < 1.5 * a.cell_mm) & (apart[0] > 2 * FEATURE_CELLS * a.cell_mm)
    agree &= np.abs(angles[0][0] - angles[1][0]) < ALIKE
    across = np.abs(angles[0][1] - angles[1][1]) < ALIKE
    agree &= across & across.T
    return agree.astype(np.float32)
