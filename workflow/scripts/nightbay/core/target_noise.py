"""How unsure the targets of one list are: noise of each, and drift that grows outwards."""

import numpy as np


def covariance(xyz_mm, noise_mm, drift_mm_per_m):
    """Covariance (n, 3, 3) of targets of one list: a constant part and one that grows with distance.

    Distance counts from the middle of the list: a pose takes out what all targets share, so that drift along the run
    shows as disagreement that grows outwards, wherever the run began.
    """
    away_m = np.linalg.norm(xyz_mm - np.mean(xyz_mm, axis=0), axis=1) / 1000
    return (noise_mm**2 + (drift_mm_per_m * away_m) ** 2)[:, None, None] * np.eye(3)
