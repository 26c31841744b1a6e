"""Segments for tests of registration by surfaces that need no files."""

from dataclasses import replace

import numpy as np

from nightbay.clouds.cloud import Cloud

WIDTH_MM, SPACING_MM = 500.0, 5.0


class HeldCloud:
    """A working cloud in memory: points (n, 3) mm and normals (n, 3), as modules that sample a cloud use it."""

    def __init__(self, xyz_mm, normal):
        self._cloud = Cloud(np.asarray(xyz_mm, np.float32), np.asarray(normal, np.float32))
        self.origin_mm = np.zeros(3)

    def __len__(self):
        return len(self._cloud)

    def sample(self, most):
        """Every so many points that no more than ``most`` are left."""
        return self._cloud[:: max(1, -(-len(self) // most))]


class Cells:
    """A segment as a search sees it, which has the same ``cells`` at every size."""

    def __init__(self, cells, sure=True, sided=True):
        self._cells = replace(cells, sided=sided)
        self.sure, self.sided, self.inside = sure, sided, False
        self.width_mm, self.spacing_mm = WIDTH_MM, SPACING_MM

    def __len__(self):
        return len(self._cells.xyz_mm)

    def thinned(self, cell_mm):
        """The cells."""
        return self._cells

    def halves(self, cell_mm):
        """Two halves without noise."""
        return [self._cells, self._cells]

    def without_sides(self):
        """The segment without the sides of its normals; itself where these are known."""
        return self if self.sure else Cells(self._cells, False, False)
