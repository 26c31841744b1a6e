"""What hangs together: small clumps that float free, and what stands beyond the vehicle."""

from dataclasses import dataclass

import numpy as np

from nightbay import neighbours

SMALL = 5.0  # a clump smaller than a square of this many times the smallest thing to keep may be noise
LARGE = 20.0  # one larger than a square of this many times it is never called noise, however rough
ROUGH_SHARE = 0.6  # points of a surface agree with more of their neighbours than that


@dataclass(frozen=True)
class Things:
    """Cells that hang together. Cells are gathered into larger ones, links, of ``edge_mm``, which hang together where
    they touch: ``link`` (k,) the link of each cell that counts, ``of_link`` (l,) the thing of each link."""

    edge_mm: float
    link: np.ndarray
    of_link: np.ndarray

    @property
    def of_cell(self):
        """Thing of each cell that counts, (k,)."""
        return self.of_link[self.link]


def things(cells, member, link_mm):
    """The :class:`Things` that the cells ``member``, (m,) bool, make, with links of at least ``link_mm``."""
    factor = max(1, int(np.ceil(link_mm / cells.edge_mm)))
    group, runs = neighbours.coarsen(cells.index, factor, member)
    return Things(factor * cells.edge_mm, group[member], neighbours.components(runs, np.ones(len(runs), bool)))


def floating(cells, member, share, smallest_mm):
    """Cells of small clumps that hang together with nothing else, (m,) bool.

    ``member`` (m,) bool: the cells to look at; ``share`` (m,) mean share of neighbours that agree, 0..1. A clump goes
    when it is small, or of middle size and no surface.
    """
    floats = np.zeros(len(member), bool)
    clumps = things(cells, member, smallest_mm)
    if clumps.link.size:
        area_mm2 = np.bincount(clumps.of_link) * clumps.edge_mm**2
        agreement = np.bincount(clumps.of_cell, share[member]) / np.bincount(clumps.of_cell)
        small = area_mm2 < (SMALL * smallest_mm) ** 2
        rough = (area_mm2 < (LARGE * smallest_mm) ** 2) & (agreement < ROUGH_SHARE)
        floats[member] = (small | rough)[clumps.of_cell]
    return floats


def beyond(cells, member, centres_mm, gap_mm, up=None):
    """Cells of things that stand apart from the vehicle, (m,) bool.

    The vehicle is the largest thing that hangs together, never over a gap of ``gap_mm``. Another is beyond it when
    more than half of it lies outside of the vehicle's box by more than ``gap_mm``; a wheel in its arch or a seat behind
    glass lies inside. ``centres_mm`` (m, 3); ``up`` (3,) unit, the direction in which the box stands, where known.
    """
    far = np.zeros(len(member), bool)
    # points in touching links are less than two edges apart
    apart = things(cells, member, max(cells.edge_mm, gap_mm / 2 - cells.edge_mm))
    if apart.of_link.size == 0 or apart.of_link.max() == 0:
        return far
    vehicle = apart.of_cell == np.argmax(np.bincount(apart.of_cell))
    along = centres_mm[member] @ _box_axes(centres_mm[member][vehicle], up)
    low, high = along[vehicle].min(axis=0) - gap_mm, along[vehicle].max(axis=0) + gap_mm
    outside = np.any((along < low) | (along > high), axis=1)
    far[member] = (np.bincount(apart.of_cell, outside) > 0.5 * np.bincount(apart.of_cell))[apart.of_cell]
    return far


def _box_axes(points_mm, up):
    """Axes of a box round points, the columns of (3, 3): ``up`` and the principal axes across it, or all principal."""
    centred = points_mm - points_mm.mean(axis=0)
    if up is not None:
        centred = centred - np.outer(centred @ up, up)
    axes = np.linalg.eigh(centred.T @ centred)[1]
    if up is not None:
        axes[:, 0] = up  # the smallest eigenvalue, zero, belongs to it
    return axes
