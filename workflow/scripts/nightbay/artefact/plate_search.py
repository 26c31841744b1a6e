"""A flat plate of known length and width among all that was scanned: table, stand, other flat things."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from scipy.spatial import ConvexHull, QhullError, cKDTree

from nightbay.core import plane_fit, robust

ACROSS = 60  # cells in the plate's width that points are thinned to before the search
TRIALS = 400  # planes tried: a plate with a fiftieth of the points is hit 8 times on average
LIMIT_SHARE = 0.02  # of the width: how far points may lie off a plane that is tried; bent further, it is no plate
SIZE_SHARE = 0.05  # of length and width: how far the outline may be off, besides a cell at either end
FILLED_LEAST = 0.6  # of the outline's area that holds points
GATE_SD = 10.0  # as for spheres: distance up to which points belong to the surface
MARGIN_SHARE = 0.03  # of the width: the rim, where scanners are worse and edges are rounded, is not evaluated


@dataclass(frozen=True)
class Plate:
    """A plate that was found: its ``points_mm`` (n, 3) without the rim, ``along`` (n, 2) their places from the middle
    along length and width, ``size_mm`` (2,) of its outline, ``covered`` share of the calibrated area, strays ``beyond``
    the gate."""

    points_mm: np.ndarray
    along_mm: np.ndarray
    size_mm: np.ndarray
    covered: float
    beyond: int


def spacing_mm(size_mm: tuple[float, float]) -> float:
    """Edge of the cubes that points are thinned in before the search."""
    return min(size_mm) / ACROSS


def search(points_mm: np.ndarray, normals: np.ndarray, size_mm: tuple[float, float]) -> list[np.ndarray]:
    """Rows, of the thinned points (n, 3) with ``normals`` (n, 3), of each flat patch whose outline has the plate's
    length and width."""
    spacing, limit_mm = spacing_mm(size_mm), LIMIT_SHARE * min(size_mm)
    tree = cKDTree(points_mm)
    rng = np.random.default_rng(0)
    found: list[np.ndarray] = []
    taken = np.zeros(len(points_mm), bool)
    for seed in rng.permutation(len(points_mm))[:TRIALS]:
        if taken[seed]:
            continue
        near = points_mm[tree.query_ball_point(points_mm[seed], 0.15 * min(size_mm))]
        level = np.abs((near - points_mm[seed]) @ normals[seed]) < limit_mm  # not the table below the plate
        normal, middle = _plane(near[level])
        if normal is None or np.std((near[level] - middle) @ normal) > limit_mm / 2:
            continue
        rows = _patch(points_mm, seed, normal, middle, limit_mm, spacing)
        taken[rows] = True
        if len(rows) >= 0.2 * ACROSS**2 and _fits(points_mm[rows], size_mm, spacing):
            found.append(rows)
    return found


def _plane(points_mm: np.ndarray) -> tuple[np.ndarray | None, np.ndarray]:
    if len(points_mm) < 6:
        return None, np.zeros(3)
    middle = points_mm.mean(axis=0)
    return np.linalg.svd(points_mm - middle, full_matrices=False)[2][-1], middle


def _patch(
    points_mm: np.ndarray, seed: int, normal: np.ndarray, middle: np.ndarray, limit_mm: float, spacing: float
) -> np.ndarray:
    """Rows of the points of one plane that connect to the ``seed``; the plane is fitted again to what it holds."""
    rows = np.empty(0, np.int64)
    for _ in range(4):
        first, second = plane_fit.across(normal)
        on = np.flatnonzero(np.abs((points_mm - middle) @ normal) < limit_mm)
        flat = (points_mm[on] - points_mm[seed]) @ np.column_stack([first, second])
        cell = np.floor(flat / (2.0 * spacing)).astype(np.int64)
        origin = cell.min(axis=0)
        grid = np.zeros(cell.max(axis=0) - origin + 1, bool)
        grid[tuple((cell - origin).T)] = True
        label, _ = ndimage.label(grid, np.ones((3, 3)))
        own = label[tuple(-origin)]
        if own == 0:
            return np.empty(0, np.int64)
        rows = on[label[tuple((cell - origin).T)] == own]
        refined, middle = _plane(points_mm[rows])
        if refined is None:
            return np.empty(0, np.int64)
        normal = refined
    return rows


def outline(flat_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The rectangle of least area about points (n, 2): unit axes (2, 2) as rows, the longer first, middle (2,), size
    (2,).

    Raises ``scipy.spatial.QhullError`` for points in a line.
    """
    corners = flat_mm[ConvexHull(flat_mm).vertices]
    edges = np.diff(corners, axis=0, append=corners[:1])
    edges /= np.linalg.norm(edges, axis=1, keepdims=True)
    best: tuple[float, np.ndarray, np.ndarray, np.ndarray] | None = None
    for edge in edges:
        axes = np.array([edge, [-edge[1], edge[0]]])
        turned = corners @ axes.T
        low, high = turned.min(axis=0), turned.max(axis=0)
        area = float(np.prod(high - low))
        if best is None or area < best[0]:
            best = (area, axes, (low + high) / 2 @ axes, high - low)
    assert best is not None
    order = np.argsort(-best[3], kind="stable")
    return best[1][order], best[2], best[3][order]


def _fits(points_mm: np.ndarray, size_mm: tuple[float, float], spacing: float) -> bool:
    normal, middle = _plane(points_mm)
    if normal is None:
        return False
    flat = (points_mm - middle) @ np.column_stack(plane_fit.across(normal))
    try:
        _, _, found = outline(flat)
    except QhullError:
        return False
    wanted = np.sort(np.array(size_mm))[::-1]
    if np.any(np.abs(found - wanted) > SIZE_SHARE * wanted + 2 * spacing):
        return False
    cells = np.unique(np.floor(flat / (2.0 * spacing)).astype(np.int64), axis=0)
    return len(cells) * (2.0 * spacing) ** 2 > FILLED_LEAST * float(np.prod(found))


def plate(near_mm: np.ndarray, patch_mm: np.ndarray, size_mm: tuple[float, float]) -> Plate | None:
    """The :class:`Plate` among all points near it, (m, 3), from the thinned points of its patch, (n, 3)."""
    normal, middle = _plane(patch_mm)
    if normal is None:
        return None
    limit_mm = LIMIT_SHARE * min(size_mm)
    for _ in range(3):  # the plane of the patch, then of all points
        off = (near_mm - middle) @ normal
        flat = (near_mm - middle) @ np.column_stack(plane_fit.across(normal))
        axes, centre, found = outline((patch_mm - middle) @ np.column_stack(plane_fit.across(normal)))
        along = (flat - centre) @ axes.T
        inside = np.all(np.abs(along) < found / 2 - MARGIN_SHARE * min(size_mm), axis=1)
        close = inside & (np.abs(off) < limit_mm)
        if np.count_nonzero(close) < 100:
            return None
        refined, middle = _plane(near_mm[close])
        assert refined is not None
        normal = refined * (1.0 if refined @ normal > 0 else -1.0)
        sd_mm = robust.MAD_TO_SD * float(np.median(np.abs((near_mm[close] - middle) @ normal)))
        limit_mm = min(limit_mm, GATE_SD * max(sd_mm, 1e-6))
    beyond = int(np.count_nonzero(inside & ~close & (np.abs(off) < LIMIT_SHARE * min(size_mm))))
    evaluated = float(np.prod(found - 2 * MARGIN_SHARE * min(size_mm)))
    return Plate(near_mm[close], along[close], found, evaluated / float(np.prod(size_mm)), beyond)
