"""Widths of the distances of points from a surface that was fitted to them."""

import numpy as np

from nightbay.artefact.result import DROPPED, WITHIN


def form(residuals_mm: np.ndarray, beyond: int = 0) -> tuple[float, int]:
    """Largest less smallest signed distance, mm, without the :data:`~nightbay.artefact.result.DROPPED` share of points
    that lie furthest off, and how many that are.

    ``residuals_mm`` (n,); ``beyond``: points that were left out before, which count as dropped. Never fewer are dropped
    than that, also where it is more than the share allows.
    """
    allowed = int(DROPPED * (len(residuals_mm) + beyond))
    further = max(allowed - beyond, 0)
    if further:
        kept = np.argpartition(np.abs(residuals_mm), len(residuals_mm) - further)[: len(residuals_mm) - further]
        residuals_mm = residuals_mm[kept]
    return float(np.ptp(residuals_mm)), beyond + further


def form_95(residuals_mm: np.ndarray) -> float:
    """Width, mm, of the narrowest shell or slab about the fitted surface that holds 95 % of the points."""
    ordered = np.sort(residuals_mm)
    inside = int(np.ceil(WITHIN * len(ordered)))
    return float(np.min(ordered[inside - 1 :] - ordered[: len(ordered) - inside + 1]))
