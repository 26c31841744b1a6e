"""A segment in which artefacts are looked for: its points near a place, and thinned as a whole."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightbay.clouds.cloud import Cloud, CloudFile
from nightbay.core import rigid, thinning


@dataclass(frozen=True)
class Scene:
    """The points of one segment, or of several in one frame: working ``clouds`` with ``T_frame_segment`` (4, 4) of
    each. Coordinates are those of the frame, mm."""

    name: str
    clouds: Sequence[CloudFile]
    T_frame_segment: Sequence[np.ndarray]

    def near(self, centre_mm: np.ndarray, radius_mm: float) -> np.ndarray:
        """All points, (n, 3) float64, up to a distance from a place (3,)."""
        found = [self._near(cloud, T, centre_mm, radius_mm) for cloud, T in self._each()]
        return np.concatenate(found)

    def _each(self):
        return zip(self.clouds, self.T_frame_segment, strict=True)

    @staticmethod
    def _near(cloud: CloudFile, T: np.ndarray, centre_mm: np.ndarray, radius_mm: float) -> np.ndarray:
        middle = rigid.transform(rigid.invert(T), centre_mm[None])[0] - cloud.origin_mm
        block, _ = cloud.near(middle - radius_mm, middle + radius_mm)
        points = block.xyz_mm.astype(np.float64)
        points = points[((points - middle) ** 2).sum(axis=1) <= radius_mm**2]
        return rigid.transform(T, points + cloud.origin_mm)

    def thinned(self, spacing_mm: float) -> tuple[np.ndarray, np.ndarray]:
        """One point in each cube of ``spacing_mm``, (n, 3), and its normal (n, 3)."""
        points, normals = [], []
        for cloud, T in self._each():
            for block in cloud.blocks():
                xyz, normal = _thinned(block, spacing_mm)
                points.append(rigid.transform(T, xyz + cloud.origin_mm))
                normals.append(rigid.rotate(T, normal))
        together, sides = np.concatenate(points), np.concatenate(normals)
        rows = thinning.thin(together, spacing_mm)
        return together[rows], sides[rows]


def _thinned(block: Cloud, spacing_mm: float) -> tuple[np.ndarray, np.ndarray]:
    rows = thinning.thin(block.xyz_mm, spacing_mm)
    assert block.normal is not None  # intake gives every point one
    return block.xyz_mm[rows].astype(np.float64), block.normal[rows].astype(np.float64)
