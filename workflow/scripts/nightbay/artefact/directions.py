"""Directions spread evenly over a sphere, as cells of equal solid angle and as patches."""

import numpy as np
from scipy.spatial import cKDTree


def even(count: int) -> np.ndarray:
    """``count`` unit vectors, (count, 3), on a Fibonacci spiral: nearest-neighbour cells of nearly equal area.

    Source: A. Gonzalez, Mathematical Geosciences 42 (2010) 49.
    """
    at = np.arange(count) + 0.5
    z = 1.0 - 2.0 * at / count
    turn = np.pi * (1.0 + np.sqrt(5.0)) * at
    flat = np.sqrt(1.0 - z**2)
    return np.column_stack([flat * np.cos(turn), flat * np.sin(turn), z])


def cell(directions: np.ndarray, count: int) -> np.ndarray:
    """Number of the cell, (n,) int, of ``count`` that each of ``directions`` (n, 3) lies in."""
    return np.asarray(cKDTree(even(count)).query(directions)[1], np.int64)
