"""Figures of distances between two surfaces."""

import numpy as np

from nightbay.reduce.result import Distances

DECIMALS = 4  # of distances in the results: 0.1 micrometres


def figures(distance_mm: np.ndarray) -> Distances:
    """Figures of distances, (n,) mm, of which there is at least one."""
    return Distances(
        samples=len(distance_mm),
        max_mm=round(float(distance_mm.max()), DECIMALS),
        rms_mm=round(float(np.sqrt(np.mean(distance_mm**2))), DECIMALS),
        p95_mm=round(float(np.quantile(distance_mm, 0.95)), DECIMALS),
    )
