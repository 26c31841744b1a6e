"""Which segments leave their target poses: those that fit withheld points of the overlaps better, if targets agree.

Patches of the overlaps are dealt into folds; each fold is predicted by a fit that has not seen it, so that every patch
is withheld once. A segment's gain is what its own motion takes off the mean square distance of its withheld patches,
the other segments being where the fit puts them.
"""

from dataclasses import dataclass

import numpy as np
from scipy import stats

from nightbay.core import rigid
from nightbay.refine import error_model, target_constraints
from nightbay.refine import overlap_adjustment as adjust
from nightbay.refine import patches as patching
from nightbay.refine.result import WeakDirection, Withheld

LEAST_PATCHES = 8  # withheld patches of a segment: with fewer, one odd patch decides


@dataclass(frozen=True)
class Gain:
    """What a segment's motion takes off the mean square of ``count`` withheld values, mm2, with its standard error.

    ``before_mm`` and ``after_mm``: their root mean square without and with the motion.
    """

    mm2: float
    se_mm2: float
    count: int
    before_mm: float
    after_mm: float

    @property
    def record(self) -> Withheld:
        """What the result says of it."""
        return Withheld(self.count, self.before_mm, self.after_mm, self.mm2, self.se_mm2)


@dataclass(frozen=True)
class Verdict:
    """Why a segment moves or stays: ``reason`` None where it moves.

    ``overlaps`` and ``targets``: the :class:`Gain` on withheld patches (rms of the patches' distances) and on withheld
    targets (rms length); ``strain``: the motion against the targets' covariance, chi-squared, six degrees of freedom.
    """

    reason: str | None
    overlaps: Gain | None = None
    targets: Gain | None = None
    strain: float | None = None


@dataclass(frozen=True)
class Evidence:
    """All that a fit may use, and what of it is withheld in turn.

    ``patches`` and ``ties`` with ``overlaps`` and ``targets``, the normal equations of all of them;
    ``variance_factor`` of the overlaps' errors and ``errors`` of all; ``patch_fold`` (k,) and ``target_fold`` (t,);
    ``without``: for each fold the normal equations of what lies outside it, (overlaps, targets).
    """

    patches: patching.Patches
    ties: target_constraints.Ties
    overlaps: adjust.Overlaps
    targets: adjust.Equations
    variance_factor: float
    errors: error_model.Errors
    patch_fold: np.ndarray
    target_fold: np.ndarray
    without: list


def all_targets(ties, segments):
    """The :class:`nightbay.refine.overlap_adjustment.Equations` of all targets."""
    matrix, right = target_constraints.normal_equations(ties, segments)
    return adjust.Equations(matrix.sum(axis=0), right.sum(axis=0))


def evidence(patches, ties, free, drift, folds):
    """The :class:`Evidence` in so many ``folds``: neighbours in the order of patches and targets go to different ones.

    ``free`` (s,) bool: segments that may move.
    """
    segments = len(free)
    matrix, right = target_constraints.normal_equations(ties, segments)
    patch_fold, target_fold = np.arange(len(patches.pair)) % folds, np.arange(ties.count) % folds

    def outside(fold):
        use = target_fold != fold
        targets = adjust.Equations(matrix[use].sum(axis=0), right[use].sum(axis=0))
        return adjust.equations(patches, segments, patch_fold != fold), targets

    overlaps, targets = outside(None)
    variance = adjust.variance_factor(patches, adjust.solve(overlaps, targets, free))
    errors = error_model.errors(patches, ties, free, drift, variance)
    without = [outside(fold) for fold in range(folds)]
    return Evidence(patches, ties, overlaps, targets, variance, errors, patch_fold, target_fold, without)


def choose(given, free, judged, confidence):
    """Fit all segments together, then hold the worst that fails and fit again, until all that move are better.

    ``given``: :class:`Evidence`; ``free`` (s,) bool: segments that may move at all; ``judged`` (s,): those that have a
    target pose to stay at. Returns the last :class:`Solution`, which segments moved, the
    last :class:`Verdict` of each that was judged, and the motions (k, s, 6) by fits that have not seen each patch.
    """
    free, verdicts = free.copy(), {}
    while True:
        factor = error_model.best_factor(given.errors, given.overlaps, given.targets, free)
        solution = adjust.solve(given.overlaps, given.targets, free, factor)
        fits = np.array([adjust.solve(overlaps, targets, free, factor).motions for overlaps, targets in given.without])
        now = {at: judge(at, given, solution, fits, confidence) for at in np.flatnonzero(free & judged)}
        verdicts.update(now)
        failing = [at for at, verdict in now.items() if verdict.reason]
        if not failing:
            return solution, free, verdicts, fits[given.patch_fold]
        worst = min(failing, key=lambda at: now[at].overlaps.mm2 / max(now[at].overlaps.se_mm2, 1e-12))
        free[worst] = False


def judge(segment, given, solution, fits, confidence):
    """The :class:`Verdict` on one segment; ``fits`` (folds, s, 6): motions by fits that have not seen each fold.

    The others stay where these fits put them: only the segment's own motion counts.
    """
    overlaps, targets = _overlap_gain(segment, given, fits), _target_gain(segment, given, fits)
    strain = _strain(segment, given.errors.by_targets, solution)
    bound = stats.t.ppf(confidence, max(overlaps.count - 1, 1))
    reason = None
    if overlaps.count < LEAST_PATCHES:
        reason = f"only {overlaps.count} patches of overlap, {LEAST_PATCHES} are needed to test a refined pose"
    elif overlaps.mm2 <= bound * overlaps.se_mm2:
        reason = (
            f"withheld points of the overlaps gain {overlaps.mm2:.2g} mm² in mean square, not more than "
            f"{bound:.1f} times the standard error of {overlaps.se_mm2:.2g} mm²"
        )
    elif targets.count > 1 and targets.mm2 < -stats.t.ppf(confidence, targets.count - 1) * targets.se_mm2:
        reason = (
            f"withheld targets lose: {targets.before_mm:.3f} mm rms in the target pose, {targets.after_mm:.3f} mm in "
            "the refined one; look for a panel that moved between the runs"
        )
    elif strain > stats.chi2.ppf(confidence, 6):
        reason = (
            f"the surfaces would move it against its targets by {np.sqrt(strain / 6):.1f} standard deviations a "
            "coordinate; look for a target or a panel that moved between the runs"
        )
    return Verdict(reason, overlaps, targets, strain)


def _overlap_gain(segment, given, fits):
    mine = given.patches.touching(segment)
    with_motion = fits[given.patch_fold]
    without = with_motion.copy()
    without[:, segment] = 0.0  # the start is the target pose
    return _gain(*(adjust.mean_after(given.patches, motions)[mine] ** 2 for motions in (without, with_motion)))


def _target_gain(segment, given, fits):
    """The target pose that a withheld target is compared in is that of the targets outside its fold."""
    alone = np.arange(fits.shape[1]) == segment
    without = fits.copy()
    for fold, (_, targets) in enumerate(given.without):
        without[fold, segment] = adjust.by_targets_alone(targets, alone)[segment]
    return _gain(
        *(target_constraints.squares(given.ties, motions[given.target_fold], segment) for motions in (without, fits))
    )


def _gain(before, after):
    """The :class:`Gain` between square values, (n,) mm2."""
    if len(before) == 0:
        return Gain(0.0, 0.0, 0, 0.0, 0.0)
    gain = before - after
    error = float(gain.std(ddof=1) / np.sqrt(len(gain))) if len(gain) > 1 else 0.0
    rms = [float(np.sqrt(max(values.mean(), 0.0))) for values in (before, after)]
    return Gain(float(gain.mean()), error, len(gain), *rms)


def _strain(segment, by_targets, solution):
    """Motion of a segment against its covariance by the targets alone, ``by_targets`` (6 s, 6 s)."""
    rows = slice(6 * segment, 6 * segment + 6)
    motion = solution.motions[segment]
    return float(motion @ np.linalg.solve(by_targets[rows, rows], motion))


def weak_directions(segment, given):
    """Small motions of a segment that its overlaps don't determine, the others being held: targets alone fix these.

    Each is a unit motion: ``rotation`` (rad, about ``at_mm`` in the middle of the overlaps) and ``translation_mm``.
    """
    patches = given.patches
    mine = patches.touching(segment)
    if not mine.any():
        return []
    at_mm = patches.at_mm[mine].mean(axis=0)
    arm_mm = max(float(np.sqrt(np.mean(np.sum((patches.at_mm[mine] - at_mm) ** 2, axis=1)))), 1.0)
    shift = np.eye(6)
    shift[3:, :3] = rigid.cross_matrix((at_mm - patches.centre_mm)[None])[0]
    scale = np.array([1 / arm_mm] * 3 + [1.0] * 3)
    rows = slice(6 * segment, 6 * segment + 6)
    H = (shift.T @ given.overlaps.matrix[rows, rows] @ shift) * scale[:, None] * scale[None]
    values, vectors = np.linalg.eigh(H)
    return [
        WeakDirection(at_mm, vector[:3] / arm_mm, vector[3:])
        for value, vector in zip(values, vectors.T, strict=True)
        if value <= adjust.FEIGNED * given.overlaps.feigned
    ]
