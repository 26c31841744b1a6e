"""The rigid motion that most of a set of paired points agree on, when some pairs are wrong or moved."""

from dataclasses import dataclass

import numpy as np

from nightbay.core import distributions, rigid
from nightbay.core.errors import NotFound

TRIPLES = 400  # with half of the pairs right, 400 triples all miss once in 1e23; with a quarter, once in 500
STARTS = 12  # best triples that are refined: near the best one others lead to the same motion
REFITS = 20  # most of them; agreement is usually stable after five


@dataclass(frozen=True)
class Consensus:
    """``T_a_b`` and which pairs, (n,) bool, agree with it; ``cost`` the truncated sum of squares it was chosen by."""

    T_a_b: np.ndarray
    agrees: np.ndarray
    cost: float


def gate(significance: float = 0.001) -> float:
    """Length of a 3D residual in standard deviations of a coordinate that noise exceeds with probability
    ``significance``."""
    return float(np.sqrt(distributions.chi_squared_above(significance, 3)))


def find(
    points_a: np.ndarray, points_b: np.ndarray, sd_mm: np.ndarray, limit: float, least: int = 3
) -> Consensus | NotFound:
    """The motion with the least truncated sum of squares over pairs (n, 3), (n, 3).

    ``sd_mm`` (n,) is that of one coordinate of a pair's difference; a pair agrees within ``limit`` of these;
    fewer than ``least`` agreeing pairs are no consensus. Of equal motions the first of a fixed sequence is taken.
    """
    n = len(points_a)
    if n < max(3, least):
        return NotFound(f"{n} pairs, {max(3, least)} are needed")
    T = _poses(points_a, points_b)
    if len(T) == 0:
        return NotFound("all triples of pairs lie nearly in one line")
    off = np.einsum("tij,nj->tni", T[:, :3, :3], points_b) + T[:, None, :3, 3] - points_a
    cost = np.minimum((off**2).sum(axis=2) / sd_mm**2, limit**2 * 4).sum(axis=1)
    best: Consensus | None = None
    for start in np.argsort(cost, kind="stable")[:STARTS]:
        found = _polish(points_a, points_b, sd_mm, limit, T[start])
        if found is not None and found.agrees.sum() >= least and (best is None or found.cost < best.cost - 1e-9):
            best = found
    return NotFound("no motion that enough pairs agree on") if best is None else best


def _polish(
    points_a: np.ndarray, points_b: np.ndarray, sd_mm: np.ndarray, limit: float, T: np.ndarray
) -> Consensus | None:
    """Refit to the agreeing pairs until these stay the same. The limit starts at twice its value, since a triple is
    less certain than a fit."""
    agrees = None
    for step in range(REFITS):
        size = np.linalg.norm(rigid.transform(T, points_b) - points_a, axis=1) / sd_mm
        now = size < limit * max(1.0, 2.0 - step / 2)
        if now.sum() < 3 or _collinear(points_b[now]):
            return None
        if agrees is not None and step > 2 and np.array_equal(now, agrees):
            break
        agrees = now
        T = rigid.fit(points_a[now], points_b[now], 1 / sd_mm[now] ** 2)
    size = np.linalg.norm(rigid.transform(T, points_b) - points_a, axis=1) / sd_mm
    return Consensus(T, size < limit, float(np.minimum(size**2, limit**2).sum()))


def _collinear(points: np.ndarray) -> bool:
    """Whether the points lie so nearly in one line that the rotation about it is undetermined."""
    return width(points) < 1e-6


def width(points: np.ndarray) -> float:
    """RMS distance, mm, of points (n, 3) from the line that fits them best."""
    centred = points - points.mean(axis=0)
    return float(np.sqrt((np.linalg.svd(centred, compute_uv=False)[1:] ** 2).sum() / len(points)))


def _poses(points_a: np.ndarray, points_b: np.ndarray) -> np.ndarray:
    """Poses (t, 4, 4) of triples of pairs, from the axes that each triangle spans."""
    n = len(points_a)
    rng = np.random.default_rng(2)
    rows = rng.integers(0, n, (TRIPLES, 3))
    rows = rows[(rows[:, 0] != rows[:, 1]) & (rows[:, 0] != rows[:, 2]) & (rows[:, 1] != rows[:, 2])]
    frame_a, good_a = _axes(points_a[rows])
    frame_b, good_b = _axes(points_b[rows])
    good = good_a & good_b
    R = frame_a[good] @ frame_b[good].transpose(0, 2, 1)
    T = np.tile(np.eye(4), (len(R), 1, 1))
    T[:, :3, :3] = R
    middle_a, middle_b = points_a[rows[good]].mean(axis=1), points_b[rows[good]].mean(axis=1)
    T[:, :3, 3] = middle_a - np.einsum("tij,tj->ti", R, middle_b)
    return T


def _axes(triangles: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Right-handed axes (t, 3, 3) as columns of triangles (t, 3, 3), and which triangles are wide enough for them."""
    u = triangles[:, 1] - triangles[:, 0]
    w = np.cross(u, triangles[:, 2] - triangles[:, 0])
    length, area = np.linalg.norm(u, axis=1), np.linalg.norm(w, axis=1)
    good = area > 1e-3 * np.maximum(length, 1.0) ** 2
    u = u / np.where(good, length, 1.0)[:, None]
    w = w / np.where(good, area, 1.0)[:, None]
    return np.stack([u, np.cross(w, u), w], axis=2), good
