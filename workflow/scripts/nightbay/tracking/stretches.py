"""Stretches of a capture run, each as a thin cloud of surfels: means of its points in cells, with a normal."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from nightbay.core import rigid
from nightbay.tracking.capture_order import CaptureOrder

MOST_POINTS = 20_000  # of a stretch; that many hold its surfels, whatever the size of the file
CELLS_MM = (6.0, 8.0, 11.0, 16.0, 22.0, 32.0)  # edges of cells that are tried, the finest that is filled well is taken
FEWEST = 4  # points of a surfel: three make a plane, the fourth averages its noise
SAMPLED = 8  # stretches in which the edge of cells is chosen
ALIKE = 0.95  # length of the mean of unit normals: below it the cell holds an edge
# Scatter of a surfel's points on its normal: at most twice the noise and what a curvature of 100 mm radius adds, which
# is 0.3 * edge^2 / (8 * radius), about a hundredth of the edge of the largest cells. More is an edge or two sheets.
NOISES, BENT = 2.0, 0.01
WIDE = 0.12  # least standard deviation of a surfel's points along it, in edges of a cell


@dataclass(frozen=True)
class Points:
    """All points of an export in the order of its file: ``xyz_mm`` (n, 3) float64 and ``normal`` (n, 3) or None,
    mapped from disk; ``order`` in which they were captured."""

    xyz_mm: np.ndarray
    normal: np.ndarray | None
    order: CaptureOrder


@dataclass(frozen=True)
class Stretches:
    """Surfels of the k stretches of a run, one after another.

    ``bounds`` (k + 1,) int64: numbers of the points, in the order of capture, at which stretches begin; ``start``
    (k + 1,) rows of the surfels of each; ``xyz_mm`` and ``normal`` (m, 3) float64, normals unit; ``sided``: normals
    distinguish the two sides of a surface; ``cell_mm``: edge of the cells.
    """

    bounds: np.ndarray
    start: np.ndarray
    xyz_mm: np.ndarray
    normal: np.ndarray
    sided: bool
    cell_mm: float

    def __len__(self) -> int:
        return len(self.start) - 1

    def of(self, number: int) -> tuple[np.ndarray, np.ndarray]:
        """Positions and normals of one stretch, (m, 3) each."""
        rows = slice(self.start[number], self.start[number + 1])
        return self.xyz_mm[rows], self.normal[rows]

    @property
    def centres_mm(self) -> np.ndarray:
        """Mean of the surfels of each stretch, (k, 3); a stretch without any has that of the one before it."""
        centres = np.zeros((len(self), 3))
        for number in range(len(self)):
            xyz_mm = self.of(number)[0]
            centres[number] = xyz_mm.mean(axis=0) if len(xyz_mm) else centres[max(number - 1, 0)]
        return centres

    @property
    def path_mm(self) -> np.ndarray:
        """Length of the path of the field of view from the first stretch to each, (k,)."""
        return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(self.centres_mm, axis=0), axis=1))])

    def moved(self, cuts: Sequence[int], poses: Sequence[np.ndarray]) -> "Stretches":
        """The same stretches with those from ``cuts[n]`` on moved by ``poses[n]``, (4, 4), up to the next cut."""
        xyz_mm, normal = self.xyz_mm.copy(), self.normal.copy()
        for cut, last, T in zip(cuts, [*cuts, len(self)][1:], poses, strict=True):
            rows = slice(self.start[cut], self.start[last])
            xyz_mm[rows], normal[rows] = rigid.transform(T, xyz_mm[rows]), rigid.rotate(T, normal[rows])
        return replace(self, xyz_mm=xyz_mm, normal=normal)


def cell_mm(points: Points, bounds: np.ndarray) -> float | None:
    """Edge of cells in which most points of a stretch have :data:`FEWEST` others beside them; None where even the
    largest are too thinly filled."""
    chosen = np.unique(np.linspace(0, len(bounds) - 2, SAMPLED).astype(int))
    samples = [_read(points, bounds[number], bounds[number + 1])[0] for number in chosen]
    for edge in CELLS_MM:
        shares = []
        for xyz_mm in samples:
            _, cell, count = np.unique(_keys(xyz_mm, edge), return_inverse=True, return_counts=True)
            shares.append(np.mean(count[cell.ravel()] > FEWEST))
        if np.median(shares) >= 0.75:
            return edge
    return None


def build(points: Points, bounds: np.ndarray, edge_mm: float, noise_mm: float) -> Stretches:
    """The :class:`Stretches` between ``bounds``, (k + 1,), of at most :data:`MOST_POINTS` points each."""
    pairs = zip(bounds[:-1], bounds[1:], strict=True)
    found = [surfels(*_read(points, start, stop), edge_mm, noise_mm) for start, stop in pairs]
    counts = [len(xyz_mm) for xyz_mm, _ in found]
    return Stretches(
        bounds=bounds,
        start=np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
        xyz_mm=np.concatenate([xyz_mm for xyz_mm, _ in found]),
        normal=np.concatenate([normal for _, normal in found]),
        sided=points.normal is not None,
        cell_mm=edge_mm,
    )


def surfels(
    xyz_mm: np.ndarray, normal: np.ndarray | None, edge_mm: float, noise_mm: float
) -> tuple[np.ndarray, np.ndarray]:
    """Positions and unit normals, (m, 3) each, of the surfels of points (n, 3); without normals of the points, their
    scatter gives them, of either sign."""
    _, cell, count = np.unique(_keys(xyz_mm, edge_mm), return_inverse=True, return_counts=True)
    cell = cell.ravel()
    mean = _sums(cell, xyz_mm, len(count)) / count[:, None]
    off = xyz_mm - mean[cell]
    products = _sums(cell, (off[:, :, None] * off[:, None, :]).reshape(-1, 9), len(count)).reshape(-1, 3, 3)
    products /= count[:, None, None]
    if normal is not None:
        direction = _sums(cell, normal, len(count)) / count[:, None]
        length = np.linalg.norm(direction, axis=1)
        good = length >= ALIKE
        direction /= np.maximum(length, 1e-12)[:, None]
        across = np.einsum("na,nab,nb->n", direction, products, direction)
    else:
        values, vectors = np.linalg.eigh(products)
        good = values[:, 1] >= (WIDE * edge_mm) ** 2
        direction, across = vectors[:, :, 0], values[:, 0]
    good &= (count >= FEWEST) & (across <= (NOISES * noise_mm + BENT * edge_mm) ** 2)
    return mean[good], direction[good]


def _read(points: Points, start: int, stop: int) -> tuple[np.ndarray, np.ndarray | None]:
    """Some points of a stretch, (m, 3), and their unit normals; points without a normal are left out."""
    rows = points.order.some(int(start), int(stop), MOST_POINTS)
    xyz_mm = np.array(points.xyz_mm[rows])
    if points.normal is None:
        return xyz_mm, None
    normal = np.array(points.normal[rows], np.float64)
    length = np.linalg.norm(normal, axis=1)
    has = length > 0
    return xyz_mm[has], normal[has] / length[has, None]


def _keys(xyz_mm: np.ndarray, edge_mm: float) -> np.ndarray:
    """A number for each point's cell, (n,) int64; cells 2**21 apart on an axis share one."""
    cell = np.floor(xyz_mm / edge_mm).astype(np.int64) & 0x1FFFFF
    return (cell[:, 0] << 42) | (cell[:, 1] << 21) | cell[:, 2]


def _sums(cell: np.ndarray, values: np.ndarray, count: int) -> np.ndarray:
    """Sum of the rows of ``values``, (n, c), in each cell, (count, c)."""
    return np.column_stack([np.bincount(cell, column, count) for column in values.T])
