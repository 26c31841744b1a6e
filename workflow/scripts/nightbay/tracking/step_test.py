"""Tests a run for a step in its pose, and fits the motions of known ones.

The threshold is the quantile of chi-squared with six degrees of freedom at :data:`FALSE_ALARMS` divided by the number
of moments that are tried (Bonferroni), so that at most that share of runs without a slip raises an alarm if noise and
drift are as the model has them. The drift is not known beforehand: the run itself shows it, as the median of all
moments, which a few slips do not change.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

from nightbay.core import distributions, rigid
from nightbay.tracking import links, walk
from nightbay.tracking.stretches import Stretches
from nightbay.tracking.walk import PARAMETERS, Evidence

FALSE_ALARMS = 0.001  # of runs without a slip, by the model: an alarm makes a technician scan again
# A slip shows in all links across it. It must remain significant without this share of them, those that show it most,
# and at least two: one pair of stretches with wrong matches is no slip.
WITHOUT, LEAST_WITHOUT = 0.25, 2
DOUBLINGS = 7  # of the declared drift, up to 128 times: beyond that nothing is a slip
OTHERS = 3  # further steps that may be in the run while its drift is estimated
PASSES = 12  # most rounds in which pieces are fitted and their surfaces matched again
CONVERGED_MM = 0.01  # largest change of a motion, in mm at the lever, at which that ends


@dataclass(frozen=True)
class Assessed:
    """The evidence of a run at the drift that it shows, ``drift_mm_per_m``: ``variance_factor`` of what remains beyond
    it, at least 1; ``linked``: the links between its stretches."""

    drift_mm_per_m: float
    evidence: Evidence
    variance_factor: float
    linked: links.Links

    @property
    def testable(self) -> np.ndarray:
        """Moments, (k,) bool, at which all six directions of a step are observable."""
        return self.evidence.determined()

    @property
    def threshold(self) -> float:
        """Squared Mahalanobis distance that a slip must exceed."""
        return float(
            distributions.chi_squared_above(FALSE_ALARMS / max(1, int(np.count_nonzero(self.testable))), PARAMETERS)
        )

    def squared(self, known: Sequence[int]) -> np.ndarray:
        """Squared Mahalanobis distance, (k,), of a step at each stretch beside those known."""
        return np.where(self.testable, self.evidence.squared(known), 0.0) / self.variance_factor

    def covariance(self, cuts: Sequence[int]) -> np.ndarray:
        """Covariance (c, 6, 6) of the motion of each cut, in the parameters of :class:`links.Links`."""
        whole = self.evidence.step(cuts)[1] * self.variance_factor
        return np.array([whole[at : at + PARAMETERS, at : at + PARAMETERS] for at in range(0, len(whole), PARAMETERS)])


def assess(
    stretches: Stretches, known: Sequence[int], noise_mm: float, drift_mm_per_m: float, doublings: int = DOUBLINGS
) -> Assessed | None:
    """What the run shows beside steps at ``known`` stretches; None where no stretches show the same surface.

    ``drift_mm_per_m`` as declared is the least drift; the run may show more, up to ``doublings`` times twice that.
    """
    linked = links.find(stretches, noise_mm)
    if not len(linked.ends):
        return None
    path_mm, centres_mm = stretches.path_mm, stretches.centres_mm
    for doubling in range(doublings + 1):
        drift = drift_mm_per_m * 2**doubling
        assessed = Assessed(drift, walk.evidence(linked, centres_mm, path_mm, drift), 1.0, linked)
        if not assessed.testable.any():
            return assessed
        steps = list(known)
        for _ in range(OTHERS):
            steps.append(int(np.argmax(assessed.squared(steps))))
        factor = float(
            np.median(assessed.squared(steps)[assessed.testable]) / distributions.chi_squared_above(0.5, PARAMETERS)
        )
        if factor <= 1.0:
            break
    return replace(assessed, variance_factor=max(1.0, factor))


def is_confirmed(assessed: Assessed, stretches: Stretches, known: Sequence[int], cut: int) -> bool:
    """Whether a step at ``cut`` beside ``known`` ones is significant without the links that show it most."""
    steps = sorted([*known, cut])
    step = assessed.evidence.step(steps)[0][steps.index(cut)]
    crossing = np.flatnonzero(assessed.linked.crossing(cut))
    dropped = max(LEAST_WITHOUT, int(np.ceil(WITHOUT * len(crossing))))
    if dropped >= len(crossing):
        return False
    rows = np.ones(len(assessed.linked.ends), bool)
    rows[crossing[np.argsort(-assessed.linked.gain(step)[crossing], kind="stable")[:dropped]]] = False
    fewer = assessed.linked.chosen(rows)
    evidence = walk.evidence(fewer, stretches.centres_mm, stretches.path_mm, assessed.drift_mm_per_m)
    return bool(replace(assessed, evidence=evidence, linked=fewer).squared(known)[cut] > assessed.threshold)


@dataclass(frozen=True)
class Fitted:
    """Pieces of a run fitted to each other: ``poses`` [(4, 4)] of the pieces after each cut, that carry them to the
    first one; ``stretches`` so moved; ``assessed``: their evidence."""

    poses: list[np.ndarray]
    stretches: Stretches
    assessed: Assessed

    def squared(self, cuts: Sequence[int]) -> list[float]:
        """Squared Mahalanobis distances of the steps at the ``cuts`` that the poses undo."""
        steps = _undone(self.poses, self.assessed.linked.centre_mm)
        covariances = self.assessed.covariance(cuts)
        return [float(step @ np.linalg.solve(cov, step)) for step, cov in zip(steps, covariances, strict=True)]


def fit(
    stretches: Stretches, cuts: Sequence[int], poses: Sequence[np.ndarray], noise_mm: float, drift_mm_per_m: float
) -> Fitted | None:
    """Fit the pieces that begin at ``cuts``, sorted, from their start ``poses``; None where they share no surface."""
    moved, poses = stretches.moved(cuts, poses), list(poses)
    assessed = assess(moved, cuts, noise_mm, drift_mm_per_m)
    if assessed is None or not cuts:
        return None if assessed is None else Fitted([], moved, assessed)
    for _ in range(PASSES):
        steps = assessed.evidence.step(cuts, _undone(poses, assessed.linked.centre_mm))[0]
        for number, total in enumerate(np.cumsum(steps, axis=0)):
            poses[number] = motion(-total, assessed.linked.centre_mm) @ poses[number]
        moved = stretches.moved(cuts, poses)
        again = assess(moved, cuts, noise_mm, assessed.drift_mm_per_m, doublings=0)
        if again is None or np.abs(steps).max() < CONVERGED_MM:
            break
        assessed = again
    assessed = assess(moved, cuts, noise_mm, drift_mm_per_m)
    return None if assessed is None else Fitted(poses, moved, assessed)


def _undone(poses: Sequence[np.ndarray], centre_mm: np.ndarray) -> np.ndarray:
    """The steps, (c, 6), that the ``poses`` (4, 4) of the pieces after them undo."""
    before = [np.eye(4), *poses][: len(poses)]
    steps = [-parameters(T @ rigid.invert(B), centre_mm) for T, B in zip(poses, before, strict=True)]
    return np.array(steps).reshape(-1, PARAMETERS)


def motion(parameters: np.ndarray, centre_mm: np.ndarray) -> np.ndarray:
    """The pose (4, 4) of a motion (6,) in the parameters of :class:`links.Links`."""
    step = np.concatenate([parameters[:3] / links.LEVER_MM, parameters[3:]])
    return rigid.moved(np.eye(4), step, centre_mm)


def parameters(T: np.ndarray, centre_mm: np.ndarray) -> np.ndarray:
    """The parameters, (6,), of a motion (4, 4), see :func:`motion`."""
    turn = Rotation.from_matrix(T[:3, :3]).as_rotvec() * links.LEVER_MM
    return np.concatenate([turn, rigid.transform(T, centre_mm[None])[0] - centre_mm])
