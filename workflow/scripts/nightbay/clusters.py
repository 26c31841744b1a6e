"""What hangs together: small clumps that float free, and what stands beyond the vehicle."""

import numpy as np

from nightbay import neighbours

SMALL = 5.0  # a clump smaller than a square of this many times the smallest thing to keep may be noise
LARGE = 20.0  # one larger than a square of this many times it is never called noise, however rough
ROUGH_SHARE = 0.6  # points of a surface agree with more of their neighbours than that


def floating(cells, member, share, smallest_mm):
    """Cells of small clumps that hang together with nothing else, (m,) bool.

    ``member`` (m,) bool: the cells to look at; ``share`` (m,) mean share of neighbours that agree, 0..1. Cells are
    linked over gaps of at least ``smallest_mm``. A clump goes when it is small, or of middle size and no surface.
    """
    factor = max(1, int(np.ceil(smallest_mm / cells.edge_mm)))
    link_mm = factor * cells.edge_mm
    group, runs = neighbours.coarsen(cells.index, factor, member)
    clump = neighbours.components(runs, np.ones(len(runs), bool))
    if not len(clump):
        return np.zeros(len(member), bool)
    area_mm2 = np.bincount(clump) * link_mm**2
    of_cell = clump[group[member]]
    agreement = np.bincount(of_cell, share[member]) / np.bincount(of_cell)
    gone = (area_mm2 < (SMALL * smallest_mm) ** 2) | (
        (area_mm2 < (LARGE * smallest_mm) ** 2) & (agreement < ROUGH_SHARE)
    )
    floats = np.zeros(len(member), bool)
    floats[member] = gone[of_cell]
    return floats


def beyond(cells, member, centres_mm, gap_mm, up=None):
    """Cells of things that stand apart from the vehicle, (m,) bool.

    The vehicle is the largest thing that hangs together, never over a gap of ``gap_mm``. Another thing is beyond it when more
    than half of it lies outside of the vehicle's box by more than ``gap_mm``; a wheel in its arch or a seat behind
    glass lies inside. ``centres_mm`` (m, 3); ``up`` (3,) unit, the direction in which the box stands, where known.
    """
    factor = max(1, int(gap_mm / 2 / cells.edge_mm))  # points in touching cells are less than two edges apart
    group, runs = neighbours.coarsen(cells.index, factor, member)
    thing = neighbours.components(runs, np.ones(len(runs), bool))
    far = np.zeros(len(member), bool)
    if not len(thing) or thing.max() == 0:
        return far
    of_cell = thing[group[member]]
    vehicle = of_cell == np.argmax(np.bincount(of_cell))
    along = centres_mm[member] @ _box_axes(centres_mm[member][vehicle], up)
    low, high = along[vehicle].min(axis=0) - gap_mm, along[vehicle].max(axis=0) + gap_mm
    outside = np.any((along < low) | (along > high), axis=1)
    beyond_it = np.bincount(of_cell, outside) > 0.5 * np.bincount(of_cell)
    far[member] = beyond_it[of_cell]
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
