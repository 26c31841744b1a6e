"""Estimates normals for exports without them: directions from planes through small cells, sides by ``sign_voting``."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from nightbay.core import thinning
from nightbay.orientation import sign_voting, voxels

PIECE = 500_000  # cells looked at together: 100 MB
NODES_COMPARED = 4  # nearest nodes of a cell, of which the most parallel decides: those of the grid square around it


@dataclass(frozen=True)
class Estimate:
    """``normal`` (n, 3) float32 unit; ``certainty`` 0..1 of their sides, see :func:`sign_voting.outward`."""

    normal: np.ndarray
    certainty: float


def estimate(xyz_mm: np.ndarray, cell_mm: float, node_mm: float, standoff_mm: float, inward: bool = False) -> Estimate:
    """The :class:`Estimate` for points (n, 3) mm.

    ``cell_mm``: edge of the cells, of which three by three by three define a plane; ``node_mm``: edge of the cells that
    get one sign each; ``standoff_mm``: distance of the scanner from the surface; ``inward``: for an interior, whose
    normals point to its middle.
    """
    cells = voxels.gather(xyz_mm, cell_mm, xyz_mm.min(axis=0))
    mean, normal, flatness = voxels.planes(cells)
    nodes = _nodes(mean, flatness, node_mm)
    signs, certainty = sign_voting.outward(mean[nodes], normal[nodes], node_mm, standoff_mm)
    oriented = normal[nodes] * (-signs if inward else signs)[:, None]
    turned = opposed_to_nearest(mean, normal, mean[nodes], oriented)
    normal = np.where(turned[:, None], -normal, normal).astype(np.float32)
    return Estimate(normal[cells.of_point], certainty)


def _nodes(mean: np.ndarray, flatness: np.ndarray, node_mm: float) -> np.ndarray:
    """Rows of the flattest cell in every cell of the coarser grid."""
    index = np.floor((mean - mean.min(axis=0)) / node_mm).astype(np.int64)
    key = (index[:, 0] << 2 * voxels.SHIFT) | (index[:, 1] << voxels.SHIFT) | index[:, 2]
    return np.sort(thinning.least_of_each(key, flatness))


def opposed_to_nearest(at_mm: np.ndarray, normal: np.ndarray, node_mm: np.ndarray, oriented: np.ndarray) -> np.ndarray:
    """Which normals, (m,) bool, are opposed to the most parallel normal of the four nearest nodes.

    ``at_mm`` and ``normal`` (m, 3): positions and normals to compare; ``node_mm`` and ``oriented`` (k, 3): positions
    and outward normals of the nodes.
    """
    tree, compared = cKDTree(node_mm), min(NODES_COMPARED, len(node_mm))
    opposed = np.empty(len(normal), bool)
    for start in range(0, len(at_mm), PIECE):
        piece = slice(start, start + PIECE)
        near = tree.query(at_mm[piece], compared)[1].reshape(-1, compared)
        cosine = np.einsum("ij,ikj->ik", normal[piece], oriented[near])
        best = np.take_along_axis(cosine, np.argmax(np.abs(cosine), axis=1)[:, None], axis=1)
        opposed[piece] = best[:, 0] < 0
    return opposed
