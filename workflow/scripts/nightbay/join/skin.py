"""One part as the join sees it: its surface thinned evenly, with normals, and how its errors grow."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.spatial import cKDTree
from scipy.spatial.distance import cdist

from nightbay.core import thinning


@dataclass(frozen=True)
class Skin:
    """The scanned surface of a part in its own vehicle frame (that of the scan where none was found).

    ``points_mm`` and ``normals`` (n, 3), the normals towards the scanner; ``spacing_mm``: edge of the cells that hold
    one point each; ``noise_mm`` of one point; ``drift_mm_per_m``: growth of the standard deviation of the part's own
    distortion with the distance from its centroid; ``drift_length_mm``: distance at which that distortion's correlation
    has fallen to 1/e.
    """

    points_mm: np.ndarray
    normals: np.ndarray
    spacing_mm: float
    noise_mm: float
    drift_mm_per_m: float
    drift_length_mm: float

    @cached_property
    def tree(self) -> cKDTree:
        """Search tree of the points."""
        return cKDTree(self.points_mm)

    @cached_property
    def centroid_mm(self) -> np.ndarray:
        """Mean of the points, (3,)."""
        return self.points_mm.mean(axis=0)

    @cached_property
    def corners_mm(self) -> np.ndarray:
        """Corners (8, 3) of the box that holds all but 2 % of the points along each axis."""
        low, high = np.percentile(self.points_mm, (1, 99), axis=0)
        choice = np.indices((2, 2, 2)).reshape(3, 8).T
        return np.where(choice == 1, high, low)

    def cells(self, cell_mm: float) -> "Skin":
        """The same surface with one point in each cell of ``cell_mm``."""
        rows = thinning.thin(self.points_mm, cell_mm)
        return Skin(
            self.points_mm[rows],
            self.normals[rows],
            cell_mm,
            self.noise_mm,
            self.drift_mm_per_m,
            self.drift_length_mm,
        )

    def distortion_sd_mm(self, at_mm: np.ndarray) -> np.ndarray:
        """Standard deviation, (k,) mm, of one coordinate of the part's distortion at points (k, 3) of its frame."""
        return self.drift_mm_per_m * np.linalg.norm(at_mm - self.centroid_mm, axis=1) / 1000

    def distortion(self, at_mm: np.ndarray) -> np.ndarray:
        """Covariance (k, k), mm2, of one coordinate of the part's distortion at k points (k, 3) of its frame.

        A Gaussian process: its standard deviation grows from the centroid, its correlation between two points is
        exp(-distance / length), as the stage refine has it.
        """
        sd = self.distortion_sd_mm(at_mm)
        return sd[:, None] * sd[None] * np.exp(-cdist(at_mm, at_mm) / self.drift_length_mm)
