"""The uncertainty of the targets of one list: a noise that all have, and a drift that grows outwards."""

import numpy as np


def covariance(xyz_mm: np.ndarray, noise_mm: float, drift_mm_per_m: float) -> np.ndarray:
    """Covariance (n, 3, 3), mm2, of targets ``xyz_mm``, (n, 3), of one list, the same in all directions.

    ``noise_mm``: standard deviation of each coordinate; ``drift_mm_per_m``: how much is added, in quadrature, for
    each metre of distance from the centroid of the list. The centroid is the reference because a pose absorbs what all
    targets share: drift along the scan shows as disagreement that grows outwards, wherever the scan began.
    """
    away_m = np.linalg.norm(xyz_mm - np.mean(xyz_mm, axis=0), axis=1) / 1000
    return (noise_mm**2 + (drift_mm_per_m * away_m) ** 2)[:, None, None] * np.eye(3)
