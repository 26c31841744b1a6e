"""Connected components: small clusters that are connected to nothing, and surroundings beyond the vehicle."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from nightbay.clean import neighbours
from nightbay.clean.neighbours import Cells

SMALL = 5.0  # a cluster smaller than a square of this many times the smallest thing to keep may be noise
LARGE = 20.0  # one larger than a square of this many times it is never noise, however rough
# Thickness of a layer, in gaps: 400 mm, in which an arch extends the box to its wheel and a mirror does not extend it
# to the ground.
LAYER_GAPS = 4.0
ROUGH_SHARE = 0.6  # points of a surface agree with more of their neighbours than that
LOOSE_SHARE = 0.3  # even where three copies of a surface lie over one another, a third of the neighbours agree


@dataclass(frozen=True)
class Components:
    """Connected components of cells.

    Cells are gathered into coarse cells of ``edge_mm``, which are connected where they touch: ``coarse`` (k,) the
    coarse cell of each cell that counts, ``of_coarse`` (l,) the component of each coarse cell.
    """

    edge_mm: float
    coarse: np.ndarray
    of_coarse: np.ndarray

    @property
    def of_cell(self) -> np.ndarray:
        """Component of each cell that counts, (k,)."""
        return self.of_coarse[self.coarse]


def connected(cells: Cells, member: np.ndarray, coarse_mm: float) -> Components:
    """The :class:`Components` of the cells ``member``, (m,) bool, by coarse cells of at least ``coarse_mm``."""
    factor = max(1, int(np.ceil(coarse_mm / cells.edge_mm)))
    group, runs = neighbours.coarsen(cells.index, factor, member)
    return Components(factor * cells.edge_mm, group[member], neighbours.components(runs, np.ones(len(runs), bool)))


def floating(cells: Cells, member: np.ndarray, thin: np.ndarray, share: np.ndarray, smallest_mm: float) -> np.ndarray:
    """Cells of small clusters that are connected to nothing else, (m,) bool.

    ``member`` (m,) bool: the cells to judge; ``thin`` (m,) bool: cells with points of a surface sampled too thinly to
    be judged, by which others may be connected; ``share`` (m,) mean share of neighbours that agree, 0..1. A cluster
    is selected when it is small, or of medium size and too rough for a surface. Cells in which almost no neighbours
    agree do not connect a cluster to a surface: they are judged separately.
    """
    loose = member & (_about(cells, member, share) < LOOSE_SHARE)
    firm = member & ~loose
    of_firm = _clusters(cells, firm, firm | thin, share, smallest_mm)
    return of_firm | _clusters(cells, loose, loose, share, smallest_mm)


def _about(cells: Cells, member: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Mean of ``values``, (m,), over each cell and the cells that touch it, of those in ``member``, (m,) bool: (m,)."""
    total = np.zeros((len(cells) + 1, 2))
    np.cumsum(np.column_stack([member, np.where(member, values, 0.0)]), axis=0, out=total[1:])
    around = sum(total[cells.runs[:, run, 1]] - total[cells.runs[:, run, 0]] for run in range(cells.runs.shape[1]))
    return around[:, 1] / np.maximum(around[:, 0], 1.0)


def _clusters(
    cells: Cells, member: np.ndarray, connecting: np.ndarray, share: np.ndarray, smallest_mm: float
) -> np.ndarray:
    """Cells of ``member`` in components that are small, or of medium size and rough, (m,) bool.

    ``connecting`` (m,) bool: all cells by which components are connected, including ``member``.
    """
    floats = np.zeros(len(member), bool)
    clusters = connected(cells, connecting, smallest_mm)
    if clusters.coarse.size:
        area_mm2 = np.bincount(clusters.of_coarse) * clusters.edge_mm**2
        judged, of_cell = member[connecting], clusters.of_cell
        agreement = np.bincount(of_cell, judged * share[connecting]) / np.maximum(np.bincount(of_cell, judged), 1)
        small = area_mm2 < (SMALL * smallest_mm) ** 2
        rough = (area_mm2 < (LARGE * smallest_mm) ** 2) & (agreement < ROUGH_SHARE)
        floats[connecting] = judged & (small | rough)[of_cell]
    return floats


def beyond(
    cells: Cells, member: np.ndarray, centres_mm: np.ndarray, gap_mm: float, up: np.ndarray | None = None
) -> np.ndarray:
    """Cells of components beyond the vehicle, (m,) bool.

    The vehicle is the largest component; gaps of ``gap_mm`` separate components, and some that are less wide. Another
    one is beyond the vehicle when more than half of it lies outside the vehicle's box by more than ``gap_mm`` and none
    of it that near to the vehicle (a mirror whose foot was not scanned is), or outside of it at all and nearer to
    such a component than to the vehicle: a thinly scanned object comes in pieces. A wheel in its arch or a seat behind
    glass lies inside. ``centres_mm`` (m, 3): mean point of each cell; ``up`` (3,) unit, where it is known: the box then
    follows the vehicle's outline at the height of each cell, and a mirror does not widen it near the ground.
    """
    far = np.zeros(len(member), bool)
    # points in touching coarse cells are less than two edges apart
    apart = connected(cells, member, max(cells.edge_mm, gap_mm / 2 - cells.edge_mm))
    if apart.of_coarse.size == 0 or apart.of_coarse.max() == 0:
        return far
    vehicle = apart.of_cell == np.argmax(np.bincount(apart.of_cell))
    along = centres_mm[member] @ _box_axes(centres_mm[member][vehicle], up)
    low, high = _bounds(along, vehicle, np.inf if up is None else LAYER_GAPS * gap_mm)
    off_mm = np.maximum(low - along, along - high).max(axis=1)
    beyond_gap, outside = (_mostly(off_mm > limit, apart.of_cell) for limit in (gap_mm, 0.0))
    outside &= ~vehicle
    if not outside.any():
        return far
    at = centres_mm[member]
    to_vehicle = _nearest(at, vehicle, outside, apart)
    beyond_gap &= outside & (to_vehicle > gap_mm)[apart.of_cell]
    pieces = outside & ~beyond_gap
    if beyond_gap.any() and pieces.any():
        beyond_gap |= pieces & (_nearest(at, beyond_gap, pieces, apart) < to_vehicle)[apart.of_cell]
    far[member] = beyond_gap
    return far


def _nearest(at_mm: np.ndarray, some: np.ndarray, others: np.ndarray, apart: Components) -> np.ndarray:
    """Distance of each component of the cells ``others`` to the cells ``some``, (k,) bool each, at ``at_mm`` (k, 3):
    by component, inf where none of its cells is among them."""
    nearest = np.full(apart.of_coarse.max() + 1, np.inf)
    np.minimum.at(nearest, apart.of_cell[others], cKDTree(at_mm[some]).query(at_mm[others])[0])
    return nearest


def _mostly(chosen: np.ndarray, of_cell: np.ndarray) -> np.ndarray:
    """Cells, (k,) bool, of components with more than half of their cells ``chosen``, (k,) bool."""
    return (np.bincount(of_cell, chosen) > 0.5 * np.bincount(of_cell))[of_cell]


def _bounds(along: np.ndarray, vehicle: np.ndarray, layer_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Low and high bounds of the vehicle for every cell, (k, 3) each, by its cells in the same and both next layers.

    Across the layers' axis they include the middle of the whole box, because a segment of one side shows its skin only.
    Layers are ``layer_mm`` thick along the first axis; infinite: one. Where the vehicle has no cell, low is above high.
    """
    height = along[:, 0] - along[:, 0].min()
    layer = np.floor(height / layer_mm).astype(np.int64) + 1
    low, high = np.full((layer.max() + 2, 3), np.inf), np.full((layer.max() + 2, 3), -np.inf)
    for number in np.unique(layer[vehicle]):
        there = along[vehicle & (layer == number)]
        low[number], high[number] = there.min(axis=0), there.max(axis=0)
    middle = (low[1:-1].min(axis=0) + high[1:-1].max(axis=0)) / 2
    low[1:-1] = np.minimum(np.minimum(low[:-2], low[2:]), low[1:-1])
    high[1:-1] = np.maximum(np.maximum(high[:-2], high[2:]), high[1:-1])
    low[:, 1:], high[:, 1:] = np.minimum(low[:, 1:], middle[1:]), np.maximum(high[:, 1:], middle[1:])
    return low[layer], high[layer]


def _box_axes(points_mm: np.ndarray, up: np.ndarray | None) -> np.ndarray:
    """Axes of a box round points, the columns of (3, 3): ``up`` and the principal axes across it, or all principal."""
    centred = points_mm - points_mm.mean(axis=0)
    if up is not None:
        centred = centred - np.outer(centred @ up, up)
    axes = np.linalg.eigh(centred.T @ centred)[1]
    if up is not None:
        axes[:, 0] = up  # the smallest eigenvalue, zero, belongs to it
    return axes
