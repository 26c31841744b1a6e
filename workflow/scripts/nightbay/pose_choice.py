"""Which segments leave their target poses: those that fit withheld points of the overlaps better, if targets agree.

Patches of the overlaps are dealt into folds; each fold is predicted by a fit that has not seen it, so that every patch
is withheld once. A segment's gain is what its own motion takes off the mean square distance of its withheld patches,
the other segments being where the fit puts them.
"""

from dataclasses import dataclass

import numpy as np
from scipy import stats

from nightbay import network_model
from nightbay import overlap_adjustment as adjust

LEAST_PATCHES = 8  # withheld patches of a segment: with fewer, one odd patch decides


@dataclass(frozen=True)
class Verdict:
    """Why a segment moves or stays: ``reason`` None where it moves.

    ``gain_mm2``, with its standard error, of the mean square distance on ``patches`` withheld patches; ``strain``: the
    motion against the targets' covariance, chi-squared with six degrees of freedom.
    """

    reason: str | None
    gain_mm2: float | None = None
    gain_se_mm2: float | None = None
    patches: int = 0
    strain: float | None = None

    @property
    def numbers(self):
        """What the result says of it."""
        return {
            "reason": self.reason,
            "withheld_patches": self.patches,
            "gain_mm2": self.gain_mm2,
            "gain_se_mm2": self.gain_se_mm2,
            "strain": self.strain,
        }


def choose(patches, prior, free, judged, parameters):
    """Fit all segments together, then hold the worst that fails and fit again, until all that move are better.

    ``free`` (s,) bool: segments that may move at all; ``judged`` (s,): those that have a target pose to stay at.
    Returns the last :class:`nightbay.overlap_adjustment.Solution`, which segments moved, the last :class:`Verdict` of
    each that was judged, and the motions (k, s, 6) by fits that have not seen each patch.
    """
    free, verdicts = free.copy(), {}
    fold = folds(patches, parameters["folds"])
    while True:
        solution = adjust.solve(patches, prior, free)
        withheld = np.array([adjust.solve(patches, prior, free, fold != one).motions for one in range(fold.max() + 1)])
        now = {
            segment: judge(segment, patches, prior, solution, withheld[fold], parameters["confidence"])
            for segment in np.flatnonzero(free & judged)
        }
        verdicts.update(now)
        failing = [segment for segment, verdict in now.items() if verdict.reason]
        if not failing:
            return solution, free, verdicts, withheld[fold]
        worst = min(failing, key=lambda segment: now[segment].gain_mm2 / max(now[segment].gain_se_mm2, 1e-12))
        free[worst] = False


def folds(patches, count):
    """A fold (k,) for each patch: neighbours in the order of the patches, which is their order in space, differ."""
    return np.arange(len(patches.pair)) % count


def judge(segment, patches, prior, solution, withheld, confidence):
    """The :class:`Verdict` on one segment; ``withheld`` (k, s, 6): motions by the fit that has not seen each patch."""
    mine = np.flatnonzero((patches.ends[patches.pair] == segment).any(axis=1))
    held = withheld.copy()
    held[:, segment] = 0.0
    gain = (adjust.square_after(patches, held) - adjust.square_after(patches, withheld))[mine]
    mean = float(gain.mean()) if len(gain) else 0.0
    error = float(gain.std(ddof=1) / np.sqrt(len(gain))) if len(gain) > 1 else 0.0
    rows = slice(6 * segment, 6 * segment + 6)
    motion = solution.motions[segment]
    strain = float(motion @ prior[rows, rows] @ motion)
    bound = stats.t.ppf(confidence, max(len(gain) - 1, 1))
    reason = None
    if len(gain) < LEAST_PATCHES:
        reason = f"only {len(gain)} patches of overlap, {LEAST_PATCHES} are needed to test a refined pose"
    elif mean <= bound * error:
        reason = (
            f"withheld points of the overlaps gain {mean:.2g} mm² in mean square, not more than "
            f"{bound:.1f} times its standard error of {error:.2g} mm²"
        )
    elif strain > stats.chi2.ppf(confidence, 6):
        reason = (
            f"the surfaces would move it against its targets by {np.sqrt(strain / 6):.1f} standard deviations a "
            f"coordinate; look for a target or a panel that moved between the runs"
        )
    return Verdict(reason, mean, error, len(gain), strain)


def weak_directions(segment, patches, solution):
    """Small motions of a segment that its overlaps don't determine, the others being held: targets alone fix these.

    Each is a unit motion: ``rotation`` (rad, about ``at_mm`` in the middle of the overlaps) and ``translation_mm``.
    """
    mine = (patches.ends[patches.pair] == segment).any(axis=1)
    at_mm = patches.at_mm[mine].mean(axis=0)
    arm_mm = float(np.sqrt(np.mean(np.sum((patches.at_mm[mine] - at_mm) ** 2, axis=1)))) or 1.0
    shift = np.eye(6)
    shift[3:, :3] = network_model.cross_matrix((at_mm - patches.centre_mm)[None])[0]
    scale = np.array([1 / arm_mm] * 3 + [1.0] * 3)
    rows = slice(6 * segment, 6 * segment + 6)
    H = (shift.T @ solution.surface[rows, rows] @ shift) * scale[:, None] * scale[None]
    values, vectors = np.linalg.eigh(H)
    feigned = patches.normal_variance * float(np.trace(H[3:, 3:]))
    return [
        {
            "at_mm": at_mm.tolist(),
            "rotation": (vector[:3] / arm_mm).tolist(),
            "translation_mm": vector[3:].tolist(),
        }
        for value, vector in zip(values, vectors.T, strict=True)
        if value <= 4 * feigned
    ]
