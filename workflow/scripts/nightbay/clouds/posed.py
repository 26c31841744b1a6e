"""The segments of a part seen in one common frame: evenly thinned as a whole, or every point of a box."""

from collections.abc import Iterable

import numpy as np

from nightbay.clouds.posed_segment import PosedSegment
from nightbay.core import rigid, thinning

MOST_A_SEGMENT = 1_500_000  # most points of a segment that are read to thin the whole part: bounds memory


class PosedClouds:
    """Segments with their poses in one common frame; arrays come back as float64, in the order of names.

    ``segments``: sorted by name; ``names``: theirs.
    """

    def __init__(self, segments: Iterable[PosedSegment]) -> None:
        """``segments`` in any order, all posed in the same frame, each with normals."""
        self.segments = sorted(segments, key=lambda segment: segment.name)
        self.names = [segment.name for segment in self.segments]
        # T_frame_cloud of each segment, to the bits of one product of matrices
        self._poses = [segment.T_frame_segment @ rigid.pose(None, segment.cloud.origin_mm) for segment in self.segments]

    def __len__(self) -> int:
        """Points of all segments together."""
        return sum(len(segment.cloud) for segment in self.segments)

    def thinned(self, spacing_mm: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Points (n, 3) in the common frame, unit normals (n, 3), and the row of each one's segment in ``names``, all
        thinned to one point in each cubic cell of edge ``spacing_mm``."""
        pieces = [
            self._thinned(segment, T_frame_cloud, spacing_mm)
            for segment, T_frame_cloud in zip(self.segments, self._poses, strict=True)
        ]
        points = np.concatenate([xyz for xyz, _ in pieces])
        normals = np.concatenate([normal for _, normal in pieces])
        segment_row = np.repeat(np.arange(len(pieces)), [len(xyz) for xyz, _ in pieces])
        rows = thinning.thin(points, spacing_mm)
        return points[rows], normals[rows], segment_row[rows]

    @staticmethod
    def _thinned(segment: PosedSegment, T_frame_cloud: np.ndarray, spacing_mm: float) -> tuple[np.ndarray, np.ndarray]:
        sample = segment.cloud.sample(MOST_A_SEGMENT)
        assert sample.normal is not None
        xyz = rigid.transform(T_frame_cloud, sample.xyz_mm)
        rows = thinning.thin(xyz, spacing_mm)
        return xyz[rows], _unit(rigid.rotate(T_frame_cloud, sample.normal[rows]))

    def box(
        self, T_box_frame: np.ndarray, low_mm: np.ndarray, high_mm: np.ndarray, spacing_mm: float
    ) -> tuple[np.ndarray, np.ndarray]:
        """Points (n, 3) and unit normals (n, 3) inside a box, bounds (3,) mm, in the box's frame, thinned to one point
        in each cubic cell of edge ``spacing_mm``."""
        points, normals = [np.empty((0, 3))], [np.empty((0, 3))]
        for segment, T_frame_cloud in zip(self.segments, self._poses, strict=True):
            T_box_cloud, cloud = T_box_frame @ T_frame_cloud, segment.cloud
            low, high = cloud.tiles["low_mm"].astype(float), cloud.tiles["high_mm"].astype(float)
            # a tile is turned against the box: the sphere round it decides whether it is read
            middle = rigid.transform(T_box_cloud, (low + high) / 2)
            radius = np.linalg.norm(high - low, axis=1)[:, None] / 2
            near = np.all((middle + radius >= low_mm) & (middle - radius <= high_mm), axis=1)
            for number in np.flatnonzero(near & (cloud.tiles["count"] > 0)):
                piece = cloud.tile(int(number))
                assert piece.normal is not None
                xyz = rigid.transform(T_box_cloud, piece.xyz_mm)
                inside = np.all((xyz >= low_mm) & (xyz <= high_mm), axis=1)
                points.append(xyz[inside])
                normals.append(_unit(rigid.rotate(T_box_cloud, piece.normal[inside])))
        xyz, normal = np.concatenate(points), np.concatenate(normals)
        rows = thinning.thin(xyz, spacing_mm)
        return xyz[rows], normal[rows]


def _unit(vectors: np.ndarray) -> np.ndarray:
    return vectors / np.maximum(np.linalg.norm(vectors, axis=1, keepdims=True), 1e-12)
