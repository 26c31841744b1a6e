"""Links: how far two stretches of a run lie apart where they show the same surface, as normal equations of a motion.

A distance is measured along the common normal of two surfels, so that curvature cancels (point-to-plane: Y. Chen, G.
Medioni, Image and Vision Computing 10 (1992) 145; the symmetric form: S. Rusinkiewicz, SIGGRAPH 2019).
"""

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.spatial import cKDTree

from nightbay.core import robust
from nightbay.tracking.stretches import Stretches

LEVER_MM = 1000.0  # rotations are counted in millimetres at this distance, so that all six parameters are alike
FARTHEST_MM = 50.0  # a slip of some centimetres; the same surface after one is no farther off
ASIDE_CELLS = 0.7  # how far aside of each other two surfels of one place may lie, in cells
FACING = 0.9  # cosine between their normals: within 26 degrees
QUERIED = 250  # surfels of a stretch that are compared with each other stretch
FEWEST = 24  # distances of a link: four for each parameter of a motion
# Largest leverage of a distance in the fit of a link: a direction that fewer than three distances determine rests on
# what may be one wrong match.
LEVERAGE = 0.4
# Errors of a stretch are alike over much of the view (calibration, incidence): more distances than this add nothing.
INDEPENDENT = 30.0
NEXT = 4  # stretches before and after one that it is always compared with
MOST_LINKS = 2000  # some 17 for each of 120 stretches: all of them are fitted in every round
COARSE_MM = 100.0  # cells by which it is seen which stretches show the same place
ROUNDS = 4  # of the robust fit of one link
# A link of one surface scatters by noise, drift and curvature, some twice the noise. Ten times as much, or a fit that
# leaves most distances out, is one of different surfaces that lie near each other.
SCATTER, FITTING = 10.0, 0.6


@dataclass(frozen=True)
class Links:
    """Linked pairs of stretches, about ``centre_mm`` (3,), the mean of all surfels.

    ``ends`` (l, 2) numbers of the earlier and the later stretch; ``matrix`` (l, 6, 6) and ``right`` (l, 6): normal
    equations of the small motion of the later one against the earlier one, weighted by the noise of the distances:
    rotation vector times :data:`LEVER_MM`, then translation, all mm. ``sd_mm`` (l,): scatter of the distances about
    that motion; ``rms_mm`` (l,): their root mean square as they are.
    """

    centre_mm: np.ndarray
    ends: np.ndarray
    matrix: np.ndarray
    right: np.ndarray
    sd_mm: np.ndarray
    rms_mm: np.ndarray

    def crossing(self, cut: int) -> np.ndarray:
        """Links, (l,) bool, between stretches before ``cut`` and those from it on."""
        return (self.ends[:, 0] < cut) & (self.ends[:, 1] >= cut)

    def chosen(self, rows: np.ndarray) -> "Links":
        """The links that ``rows``, (l,) bool, selects."""
        columns = (getattr(self, name)[rows] for name in ("ends", "matrix", "right", "sd_mm", "rms_mm"))
        return Links(self.centre_mm, *columns)

    def gain(self, step: np.ndarray) -> np.ndarray:
        """By how much each link, (l,), is explained better if a step (6,) lies between its ends."""
        return 2 * self.right @ step - np.einsum("a,lab,b->l", step, self.matrix, step)


def find(stretches: Stretches, noise_mm: float) -> Links:
    """The :class:`Links` of all stretches that show the same surface."""
    centre = stretches.xyz_mm.mean(axis=0)
    trees = [cKDTree(stretches.of(number)[0]) for number in range(len(stretches))]
    found = []
    for early, late in candidates(stretches):
        link = _link(stretches, trees[early], early, late, centre, noise_mm)
        if link is not None:
            found.append((early, late, *link))
    if not found:
        return Links(centre, np.empty((0, 2), int), np.empty((0, 6, 6)), np.empty((0, 6)), np.empty(0), np.empty(0))
    ends = np.array([(early, late) for early, late, *_ in found])
    matrix, right, sd, rms = (np.array([link[at] for link in found]) for at in (2, 3, 4, 5))
    return Links(centre, ends, matrix, right, sd, rms)


def candidates(stretches: Stretches) -> np.ndarray:
    """Pairs of stretches, (l, 2) int, the earlier one first, that have points in the same or touching coarse cells.

    At most :data:`MOST_LINKS`: neighbours in time, and the others thinned evenly.
    """
    cell = np.floor(stretches.xyz_mm / COARSE_MM).astype(np.int64)
    cell -= cell.min(axis=0)
    stretch = np.repeat(np.arange(len(stretches)), np.diff(stretches.start))
    both = np.unique(np.column_stack([stretch, cell]), axis=0)
    extent = cell.max(axis=0) + 2
    keys = []
    for shift in np.ndindex(2, 2, 2):  # a cell and those after it: two touching cells share at least one
        moved = both[:, 1:] + shift
        keys.append((moved[:, 0] * extent[1] + moved[:, 1]) * extent[2] + moved[:, 2])
    _, column = np.unique(np.concatenate(keys), return_inverse=True)
    row = np.tile(both[:, 0], len(keys))
    seen = sparse.csr_matrix((np.ones(len(row), np.int32), (row, column.ravel())), (len(stretches), column.max() + 1))
    seen.data[:] = 1
    common = sparse.triu(seen @ seen.T, 1).tocoo()
    pairs = np.column_stack([common.row, common.col])
    pairs = pairs[np.lexsort((pairs[:, 1], pairs[:, 0]))]
    near = pairs[:, 1] - pairs[:, 0] <= NEXT
    step = max(1, -(-int(np.count_nonzero(~near)) // MOST_LINKS))
    return np.concatenate([pairs[near], pairs[~near][::step]])


def _link(
    stretches: Stretches, tree: cKDTree, early: int, late: int, centre: np.ndarray, noise_mm: float
) -> tuple[np.ndarray, np.ndarray, float, float] | None:
    """Normal equations, scatter and root mean square of one link; None for too few common surfels."""
    xyz, normal = stretches.of(late)
    if len(xyz) < FEWEST or tree.n < FEWEST:
        return None
    step = max(1, len(xyz) // QUERIED)
    matched = match(stretches.of(early), tree, xyz[::step], normal[::step], stretches.cell_mm, stretches.sided)
    if len(matched.distance_mm) < FEWEST:
        return None
    J = design(matched.at_mm - centre, matched.normal)
    distance = matched.distance_mm
    # about the middle of the common surface, held to what is possible: a plane alone does not determine six parameters
    local = design(matched.at_mm - matched.at_mm.mean(axis=0), matched.normal)
    hold = np.eye(6) * (noise_mm / FARTHEST_MM) ** 2
    weight, sd = np.ones(len(distance)), noise_mm
    for _ in range(ROUNDS):
        motion = np.linalg.solve((local * weight[:, None]).T @ local + hold, (local * weight[:, None]).T @ distance)
        residual = distance - local @ motion
        sd = max(robust.MAD_TO_SD * float(np.median(np.abs(residual))), noise_mm)
        weight = robust.tukey(residual, robust.TUKEY_SD * sd)
        inverse = np.linalg.inv((local * weight[:, None]).T @ local + hold)
        weight[weight * np.einsum("na,ab,nb->n", local, inverse, local) > LEVERAGE] = 0.0
    total = weight.sum()
    if total < max(FEWEST, FITTING * len(distance)) or sd > SCATTER * noise_mm:
        return None
    weight = weight * min(1.0, INDEPENDENT / total) / sd**2
    weighted = J * weight[:, None]
    return weighted.T @ J, weighted.T @ distance, sd, float(np.sqrt(np.average(distance**2, weights=weight)))


@dataclass(frozen=True)
class Matched:
    """Surfels or points of one set with the nearest of another: ``row`` (m,) in the first, ``distance_mm`` (m,) along
    the common normal, positive outside; ``at_mm`` and ``normal`` (m, 3) between the two."""

    row: np.ndarray
    distance_mm: np.ndarray
    at_mm: np.ndarray
    normal: np.ndarray


def match(
    target: tuple[np.ndarray, np.ndarray],
    tree: cKDTree,
    xyz_mm: np.ndarray,
    normal: np.ndarray,
    cell_mm: float,
    sided: bool,
) -> Matched:
    """Positions and normals, (n, 3) each, with the nearest of ``target``, of whose positions ``tree`` is the search
    tree."""
    _, nearest = tree.query(xyz_mm, distance_upper_bound=float(np.hypot(FARTHEST_MM, cell_mm)))
    row = np.flatnonzero(nearest < tree.n)
    nearest = nearest[row]
    other, facing = target[0][nearest], target[1][nearest]
    own = normal[row]
    cosine = np.sum(own * facing, axis=1)
    if not sided:
        facing, cosine = facing * np.sign(cosine)[:, None], np.abs(cosine)
    both = own + facing
    length = np.linalg.norm(both, axis=1)
    both /= np.maximum(length, 1e-12)[:, None]
    apart = xyz_mm[row] - other
    distance = np.sum(apart * both, axis=1)
    aside = np.sqrt(np.maximum(np.sum(apart**2, axis=1) - distance**2, 0.0))
    good = (cosine >= FACING) & (aside <= ASIDE_CELLS * cell_mm) & (np.abs(distance) <= FARTHEST_MM)
    return Matched(row[good], distance[good], (xyz_mm[row] - apart / 2)[good], both[good])


def design(from_centre_mm: np.ndarray, normal: np.ndarray) -> np.ndarray:
    """Change of a point's height on its normal, (n, 6), by a small motion in the parameters of :class:`Links`."""
    return np.hstack([np.cross(from_centre_mm, normal) / LEVER_MM, normal])
