"""What is normal: the slow walk of a scanner's pose along its path, and how unlikely a jump is beside it.

The pose of each stretch has an error. Its speed along the path, millimetres per metre, varies smoothly: it has the
correlation exp(-distance / length). A slip is a step in this walk: from one stretch on, all poses are displaced by the
same motion. For each place of such a step, generalised least squares give the motion that fits best and its
covariance, from the links of all stretches before it to all stretches after it, with noise and walk as errors.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import lu_factor, lu_solve

from nightbay.core import rigid
from nightbay.tracking.links import FARTHEST_MM, LEVER_MM, Links

# Distance from the middle of a field of view to its edge (common practice, no source): where frames are joined to each
# other, errors of rotation show at the edge of the view about as large as errors of position.
HALF_VIEW_MM = 200.0
LENGTH_MM = 1500.0  # over some fields of view the speed of the walk stays alike (common practice, no source)
PARAMETERS = 6
RANK = 1e-9  # share of the largest eigenvalue below which a direction is not observed at all


@dataclass(frozen=True)
class Evidence:
    """What the links of k stretches show of a step, whatever the walk was.

    ``matrix`` (k, k, 6, 6) and ``right`` (k, 6): normal equations of steps that begin at the stretches; the motions of
    several steps are found from their rows and columns together.
    """

    matrix: np.ndarray
    right: np.ndarray

    def step(self, cuts: Sequence[int], undone: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray]:
        """Motions (c, 6) of steps at ``cuts``, together, and their covariance (6 c, 6 c).

        A direction that no surface shows is held by what a slip can be, :data:`links.FARTHEST_MM` as its standard
        deviation: pieces do not slide along it. ``undone`` (c, 6): the part of the steps that is undone already.
        """
        matrix, right = self._of(cuts)
        if undone is not None:
            right = right - undone.ravel() / FARTHEST_MM**2
        covariance = np.linalg.inv(matrix + np.eye(len(matrix)) / FARTHEST_MM**2)
        return (covariance @ right).reshape(-1, PARAMETERS), covariance

    def squared(self, known: Sequence[int]) -> np.ndarray:
        """Squared Mahalanobis distance, (k,), of a step at each stretch beside steps at ``known`` ones; 0 where none is
        observable. Chi-squared with six degrees of freedom where there is none."""
        matrix = self.matrix[np.arange(len(self.right)), np.arange(len(self.right))].copy()
        right = self.right.copy()
        if len(known):
            inner, inner_right = self._of(known)
            inverse = np.linalg.pinv(inner, rcond=RANK, hermitian=True)
            beside = self.matrix[:, list(known)].transpose(0, 2, 1, 3).reshape(len(right), PARAMETERS, -1)
            matrix -= beside @ inverse @ beside.transpose(0, 2, 1)
            right -= (beside @ (inverse @ inner_right)[:, None])[:, :, 0]
        values, vectors = np.linalg.eigh(matrix)
        # what is left beside known steps may be nothing but rounding
        scale = np.trace(self.matrix[np.arange(len(right)), np.arange(len(right))], axis1=1, axis2=2)
        seen = values > RANK * np.maximum(scale, 1e-30)[:, None]
        along = np.einsum("kab,ka->kb", vectors, right) ** 2
        squared = np.where(seen, along / np.where(seen, values, 1.0), 0.0).sum(axis=1)
        squared[list(known)] = 0.0
        return squared

    def determined(self) -> np.ndarray:
        """Whether all six directions of a step at each stretch are observable, (k,) bool."""
        own = self.matrix[np.arange(len(self.right)), np.arange(len(self.right))]
        values = np.linalg.eigvalsh(own)
        return (values[:, -1] > 0) & (values[:, 0] > RANK * values[:, -1])

    def _of(self, cuts: Sequence[int]) -> tuple[np.ndarray, np.ndarray]:
        size = PARAMETERS * len(cuts)
        matrix = self.matrix[np.ix_(list(cuts), list(cuts))].transpose(0, 2, 1, 3).reshape(size, size)
        return matrix, self.right[list(cuts)].ravel()


def evidence(links: Links, centres_mm: np.ndarray, path_mm: np.ndarray, drift_mm_per_m: float) -> Evidence:
    """The :class:`Evidence` of links between stretches.

    ``centres_mm`` (k, 3) of the stretches, ``path_mm`` (k,) along them; ``drift_mm_per_m``: standard deviation of the
    walk's speed, all three axes together.
    """
    count = len(centres_mm)
    size = PARAMETERS * count
    matrix, right = np.zeros((count, count, PARAMETERS, PARAMETERS)), np.zeros((count, PARAMETERS))
    early, late = links.ends.T
    np.add.at(matrix, (early, early), links.matrix)
    np.add.at(matrix, (late, late), links.matrix)
    np.add.at(matrix, (early, late), -links.matrix)
    np.add.at(matrix, (late, early), -links.matrix)
    np.add.at(right, late, links.right)
    np.add.at(right, early, -links.right)
    whole = matrix.transpose(0, 2, 1, 3).reshape(size, size)
    errors = covariance(centres_mm - links.centre_mm, path_mm, drift_mm_per_m)
    factors = lu_factor(np.eye(size) + whole @ errors)
    reduced = lu_solve(factors, np.column_stack([whole, right.ravel()]))
    blocks = reduced[:, :-1].reshape(count, PARAMETERS, count, PARAMETERS).transpose(0, 2, 1, 3)
    # a step moves its stretch and all later ones: sums from the end
    blocks = np.flip(np.flip(blocks, (0, 1)).cumsum(axis=0).cumsum(axis=1), (0, 1))
    blocks = (blocks + blocks.transpose(1, 0, 3, 2)) / 2
    return Evidence(blocks, np.flip(np.flip(reduced[:, -1].reshape(count, PARAMETERS), 0).cumsum(axis=0), 0))


def covariance(from_centre_mm: np.ndarray, path_mm: np.ndarray, drift_mm_per_m: float) -> np.ndarray:
    """Covariance (6 k, 6 k) of the pose errors of k stretches, in the parameters of :class:`Links`.

    ``from_centre_mm`` (k, 3): centres of the stretches about the centre of the motions.
    """
    count = len(path_mm)
    step_m = np.diff(path_mm, prepend=path_mm[0]) / 1000.0
    middle = path_mm - step_m * 500.0
    alike = np.exp(-np.abs(middle[:, None] - middle[None]) / LENGTH_MM)
    speed = alike * np.outer(step_m, step_m) * drift_mm_per_m**2 / 3.0
    motion = np.zeros((count, PARAMETERS, PARAMETERS))  # about a stretch's own centre -> about the common one
    motion[:, :3, :3] = np.eye(3) * LEVER_MM / HALF_VIEW_MM
    motion[:, 3:, 3:] = np.eye(3)
    motion[:, 3:, :3] = rigid.cross_matrix(from_centre_mm) / HALF_VIEW_MM
    steps = np.einsum("kab,kl,lcb->klac", motion, speed, motion, optimize=True)
    walk = steps.cumsum(axis=0).cumsum(axis=1)
    return walk.transpose(0, 2, 1, 3).reshape(PARAMETERS * count, PARAMETERS * count)
