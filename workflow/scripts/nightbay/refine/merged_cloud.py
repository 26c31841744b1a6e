"""The clouds of several segments in poses that are known, of which a search sees a sample as of a single segment's."""

from collections.abc import Sequence

import numpy as np

from nightbay.clouds.cloud import Cloud, CloudFile
from nightbay.core import rigid

SAMPLE = 400_000  # points of a segment that are thinned: ten and more a cell of the thinned cloud


class MergedCloud:
    """Working clouds in one frame, as if one segment had seen all; ``poses``: ``T_frame_segment`` of each, (4, 4).

    It holds no more points than the sample of a single segment, centred at ``origin_mm`` (3,). ``spacing_mm`` of its
    points: that of the sparsest cloud, since where clouds overlap, points of both lie beside each other.
    """

    def __init__(self, clouds: Sequence[CloudFile], poses: Sequence[np.ndarray], spacing_mm: float) -> None:
        self.spacing_mm = spacing_mm
        xyz_mm, normal = [], []
        for cloud, T in zip(clouds, poses, strict=True):
            sample = cloud.sample(SAMPLE // len(clouds))
            assert sample.normal is not None  # clean leaves normals of every point
            xyz_mm.append(rigid.transform(T, sample.xyz_mm.astype(np.float64) + cloud.origin_mm))
            normal.append(rigid.rotate(T, sample.normal.astype(np.float64)))
        points = np.concatenate(xyz_mm)
        self.origin_mm = points.mean(axis=0)
        centred = points - self.origin_mm
        self._points = Cloud(centred.astype(np.float32), np.concatenate(normal).astype(np.float32))

    def __len__(self) -> int:
        return len(self._points)

    def sample(self, most: int) -> Cloud:
        """At most ``most`` points, evenly through all segments: the same ones each time."""
        return self._points[:: max(1, -(-len(self) // most))]


SampledCloud = CloudFile | MergedCloud
