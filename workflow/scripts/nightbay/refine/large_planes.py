"""Large planes of a thinned segment: floors, walls and sides, which fit each other in many poses.

What lies off them is distinctive: edges, posts, wheel boxes, seats, and all of a body without flat sides. Two segments
that agree there have the same shape there; two that agree on walls alone may be two corners of one room.
"""

import numpy as np

LARGE = 0.04  # share of a segment's cells from which on a plane is a large one
MOST = 12  # planes that are removed
TRIALS = 150  # cells whose planes are tried for the next one
ALONG = 0.94  # cosine of 20 deg: normals of cells on a plane are that rough
THICK = 0.5  # cells: half the thickness of a plane
REFITS = 2  # times that the plane of the best trial is fitted to its cells


def off_large_planes(xyz_mm: np.ndarray, normal: np.ndarray, cell_mm: float) -> np.ndarray:
    """Which cells (n,) bool lie on none of a segment's large planes.

    ``xyz_mm`` (n, 3) and unit ``normal`` (n, 3), of either side, of cells of ``cell_mm``.
    """
    left = np.ones(len(xyz_mm), bool)
    least = max(LARGE * len(xyz_mm), 3)
    for _ in range(MOST):
        rows = np.flatnonzero(left)
        if len(rows) < least:
            break
        points, facing = xyz_mm[rows], normal[rows]
        trials = slice(None, None, max(1, len(rows) // TRIALS))
        axes = facing[trials]
        along = np.abs(facing @ axes.T) > ALONG
        along &= np.abs(points @ axes.T - np.sum(points[trials] * axes, axis=1)) < THICK * cell_mm
        on = along[:, int(np.argmax(along.sum(axis=0)))]
        for _ in range(REFITS):
            if np.count_nonzero(on) < least:
                break
            middle = points[on].mean(axis=0)
            axis = np.linalg.svd(points[on] - middle, full_matrices=False)[2][2]
            on = (np.abs(facing @ axis) > ALONG) & (np.abs((points - middle) @ axis) < THICK * cell_mm)
        if np.count_nonzero(on) < least:
            break
        left[rows[on]] = False
    return left
