"""The moment of a slip to the point: where the points of a run change from one pose to another."""

import numpy as np
from scipy.spatial import cKDTree

from nightbay.core import rigid, robust
from nightbay.tracking.links import FARTHEST_MM
from nightbay.tracking.stretches import Points, Stretches

MOST = 200_000  # points that are tried
BOUND = 3.0  # a point farther off than so many standard deviations says no more than one at that distance


def first_displaced(
    points: Points, stretches: Stretches, cut: int, poses: tuple[np.ndarray, np.ndarray], noise_mm: float
) -> int:
    """Number of the first point, in the order of capture, that lies better in the later of two ``poses`` (4, 4).

    It is looked for in the stretches before and after ``cut``; all others, which ``stretches`` has in their final
    place, show which pose a point fits. The sum of the bounded squared distances is least if the pose changes there.
    """
    bounds, last = stretches.bounds, len(stretches)
    start, stop = int(bounds[cut - 1]), int(bounds[min(cut + 1, last)])
    rows = np.concatenate(
        [np.arange(0, stretches.start[cut - 1]), np.arange(stretches.start[min(cut + 1, last)], stretches.start[-1])]
    )
    step = max(1, -(-(stop - start) // MOST))
    numbers = np.arange(start, stop, step)
    captured = numbers if points.order.rows is None else points.order.rows[numbers]
    xyz_mm = np.array(points.xyz_mm[captured])
    if not len(rows):
        return int(bounds[cut])
    tree = cKDTree(stretches.xyz_mm[rows])
    off = np.array([_distance(tree, stretches, rows, rigid.transform(T, xyz_mm)) for T in poses])
    seen = np.isfinite(off).all(axis=0)
    if not seen.any():
        return int(bounds[cut])
    nearer = np.abs(off[:, seen]).min(axis=0)
    sd = max(noise_mm, robust.MAD_TO_SD * float(np.median(nearer)))
    loss = np.zeros(off.shape)
    loss[:, seen] = np.minimum((off[:, seen] / sd) ** 2, BOUND**2)
    before = np.concatenate([[0.0], np.cumsum(loss[0])])
    after = loss[1].sum() - np.concatenate([[0.0], np.cumsum(loss[1])])
    at = int(np.argmin(before + after))
    return int(numbers[at]) if at < len(numbers) else stop


def _distance(tree: cKDTree, stretches: Stretches, rows: np.ndarray, xyz_mm: np.ndarray) -> np.ndarray:
    """Distance of points (n, 3) from the nearest surfel along its normal, (n,) mm; NaN where none is near."""
    _, nearest = tree.query(xyz_mm, distance_upper_bound=float(np.hypot(FARTHEST_MM, stretches.cell_mm)))
    off = np.full(len(xyz_mm), np.nan)
    near = np.flatnonzero(nearest < tree.n)
    row = rows[nearest[near]]
    apart = xyz_mm[near] - stretches.xyz_mm[row]
    along = np.sum(apart * stretches.normal[row], axis=1)
    aside = np.sum(apart**2, axis=1) - along**2
    good = aside <= stretches.cell_mm**2
    off[near[good]] = along[good]
    return off
