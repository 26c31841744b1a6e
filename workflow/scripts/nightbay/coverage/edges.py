"""Whether a step or a flange follows the edge of a hole, as round glazing, or the surface just ends there."""

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree

# A stretch of the edge, and how far beside it surface is compared: wider than a seal or a flange, narrow enough for a
# panel to be a parabola across it.
STRETCH_MM, NEAR_MM, FAR_MM = 80.0, 30.0, 110.0
LEAST_BESIDE, LEAST_STEP = 12, 2  # points of the surface beside a stretch, and of a step in it
STEP_SDS, LEAST_STEP_MM = 5.0, 1.0  # a step is higher than the scatter about the surface beside it, and than noise


def edged(
    mask: np.ndarray,
    low_mm: np.ndarray,
    cell_mm: float,
    plane_mm: np.ndarray,
    depth_mm: np.ndarray,
    near_mm: float = NEAR_MM,
    beyond_mm: float | None = None,
) -> float | None:
    """Share of the edge of a hole along which surface steps off the one beside it; None where none borders on it.

    ``mask``: cells of the hole, the first at ``low_mm`` (2,), edge ``cell_mm``; ``plane_mm`` (n, 2) and ``depth_mm``
    (n,) of the points round it that face the viewer. Beside each stretch of the edge the surface is fitted as a
    parabola across the edge; points near the edge and inside it that lie off its continuation are a step.
    ``near_mm``: how near; ``beyond_mm``: only points count that lie farther from the viewer than this depth.
    """
    outside = ndimage.distance_transform_edt(~mask) * cell_mm
    inside = ndimage.distance_transform_edt(mask) * cell_mm
    off = outside - inside  # distance from the edge, negative inside
    at = np.clip(np.floor((plane_mm - low_mm) / cell_mm).astype(int), 0, np.array(mask.shape) - 1)
    beside = off[at[:, 0], at[:, 1]]
    band = (beside > -near_mm) & (beside < FAR_MM)
    plane, depth, beside = plane_mm[band], depth_mm[band], beside[band]
    border = mask & ~ndimage.binary_erosion(mask)
    stretches = _spread(low_mm + (np.argwhere(border) + 0.5) * cell_mm, STRETCH_MM)
    if not len(plane):
        return None
    tree = cKDTree(plane)
    known = stepped = 0
    for middle, rows in zip(stretches, tree.query_ball_point(stretches, FAR_MM + STRETCH_MM / 2), strict=True):
        mine = np.array(rows, int)
        if not len(mine):
            continue
        # the direction across the edge is that to the middle of the surface beside it
        own = mine[beside[mine] > near_mm]
        if len(own) < LEAST_BESIDE:
            continue
        across = plane[own].mean(axis=0) - middle
        length = np.linalg.norm(across)
        if length < cell_mm:
            continue
        across /= length
        local = plane[mine] - middle
        along = local @ np.array([-across[1], across[0]])
        narrow = np.abs(along) < STRETCH_MM / 2
        mine, along, off_edge = mine[narrow], along[narrow], (local @ across)[narrow]
        step = _steps(off_edge, along, depth[mine], beside[mine] > near_mm, beyond_mm)
        if step is not None:
            known += 1
            stepped += step
    return stepped / known if known else None


def _steps(
    off_edge: np.ndarray, along: np.ndarray, depth: np.ndarray, fit: np.ndarray, beyond_mm: float | None
) -> bool | None:
    """Whether points near the edge step off the surface beside it, ``fit``; None where there is too little of that."""
    if np.count_nonzero(fit) < LEAST_BESIDE:
        return None
    terms = [np.ones(len(off_edge)), off_edge, along, off_edge**2, along**2]
    rows = np.column_stack(terms) / [1.0, 100.0, 100.0, 1e4, 1e4]
    chosen = fit.copy()
    for _ in range(3):  # without what does not belong to the panel
        solution, *_ = np.linalg.lstsq(rows[chosen], depth[chosen], rcond=None)
        misfit = depth - rows @ solution
        scatter = 1.4826 * float(np.median(np.abs(misfit[fit])))
        chosen = fit & (np.abs(misfit) < max(3 * scatter, 0.3))
        if np.count_nonzero(chosen) < LEAST_BESIDE:
            return None
    test = ~fit if beyond_mm is None else ~fit & (depth < beyond_mm)
    return bool(np.count_nonzero(np.abs(misfit[test]) > max(STEP_SDS * scatter, LEAST_STEP_MM)) >= LEAST_STEP)


def _spread(points: np.ndarray, apart: float) -> np.ndarray:
    """Points, (k, 2), that are at least ``apart`` from each other, in their order."""
    kept: list[np.ndarray] = []
    for point in points:
        if not kept or np.min(np.linalg.norm(np.array(kept) - point, axis=1)) >= apart:
            kept.append(point)
    return np.array(kept).reshape(-1, 2)
