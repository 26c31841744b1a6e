"""Selects the segments that leave their target poses: those whose withheld points then fit better, if targets agree.

This is a cross-validation. Patches of the overlaps are divided into folds; each fold is predicted by a fit that does
not use it, and every patch is withheld once. A segment's gain is the decrease of the mean square distance of its
withheld patches by its own motion. The other segments stay where the fit puts them.
"""

from dataclasses import dataclass

import numpy as np

from nightbay.core import distributions, rigid
from nightbay.refine import error_model, overlap_adjustment, target_constraints
from nightbay.refine.overlap_adjustment import NormalEquations, OverlapEquations, Solution
from nightbay.refine.overlap_patches import DriftModel, Patches
from nightbay.refine.result import CONTRADICTS, WeakDirection, Withheld
from nightbay.refine.target_constraints import TargetObservations

NO_FOLD = -1  # nothing is withheld
LEAST_PATCHES = 8  # withheld patches of a segment: with fewer, a single outlying patch decides the test


@dataclass(frozen=True)
class Gain:
    """Decrease ``mm2`` of the mean square of ``count`` withheld values by a segment's motion.

    ``se_mm2``: its standard error; ``before_mm`` and ``after_mm``: rms of the values without and with the motion.
    """

    mm2: float
    se_mm2: float
    count: int
    before_mm: float
    after_mm: float

    @property
    def record(self) -> Withheld:
        """The gain as the result lists it."""
        return Withheld(self.count, self.before_mm, self.after_mm, self.mm2, self.se_mm2)


@dataclass(frozen=True)
class Verdict:
    """Why a segment moves or stays: ``reason`` None where it moves.

    ``overlaps`` and ``targets``: the :class:`Gain` on withheld patches (rms of the patches' distances) and on withheld
    targets (rms length); ``squared_mahalanobis``: the motion against the targets' covariance, chi-squared with six
    degrees of freedom.
    """

    reason: str | None
    overlaps: Gain | None = None
    targets: Gain | None = None
    squared_mahalanobis: float | None = None


@dataclass(frozen=True)
class Evidence:
    """All that a fit may use, and what of it is withheld in turn.

    ``patches`` and ``observed`` targets, with ``overlaps`` and ``targets``, the normal equations of all of them, those
    of the point pairs included in the second;
    ``variance_factor`` of the overlaps' errors and ``errors`` of all; ``patch_fold`` (k,) and ``target_fold`` (t,);
    ``without``: for each fold the normal equations of what lies outside it, (overlaps, targets).
    """

    patches: Patches
    observed: TargetObservations
    overlaps: OverlapEquations
    targets: NormalEquations
    variance_factor: float
    errors: error_model.ErrorCovariances
    patch_fold: np.ndarray
    target_fold: np.ndarray
    without: list[tuple[OverlapEquations, NormalEquations]]


@dataclass(frozen=True)
class Selection:
    """The last ``solution``, which segments ``moved`` (s,) bool, the last :class:`Verdict` of each segment that was
    tested {number: verdict}, and ``withheld`` (k, s, 6): the motions by fits that did not use each patch."""

    solution: Solution
    moved: np.ndarray
    verdicts: dict[int, Verdict]
    withheld: np.ndarray


def target_equations(observed: TargetObservations, segments: int) -> NormalEquations:
    """The normal equations of all targets."""
    matrix, right = target_constraints.normal_equations(observed, segments)
    return NormalEquations(matrix.sum(axis=0), right.sum(axis=0))


def evidence(
    patches: Patches,
    observed: TargetObservations,
    points: NormalEquations,
    free: np.ndarray,
    drift: DriftModel,
    folds: int,
) -> Evidence:
    """The :class:`Evidence` in so many ``folds``: neighbours in the order of patches and targets go to different ones.

    ``points``: normal equations of point pairs, which are never withheld; ``free`` (s,) bool: segments that may move.
    """
    segments = len(free)
    matrix, right = target_constraints.normal_equations(observed, segments)
    patch_fold, target_fold = np.arange(len(patches.pair)) % folds, np.arange(observed.count) % folds

    def without(fold: int) -> tuple[OverlapEquations, NormalEquations]:
        use = target_fold != fold
        targets = points + NormalEquations(matrix[use].sum(axis=0), right[use].sum(axis=0))
        return overlap_adjustment.overlap_equations(patches, segments, patch_fold != fold), targets

    overlaps, targets = without(NO_FOLD)
    variance_factor = overlap_adjustment.variance_factor(patches, overlap_adjustment.solve(overlaps, targets, free))
    errors = error_model.error_covariances(patches, observed, points, free, drift, variance_factor)
    return Evidence(
        patches=patches,
        observed=observed,
        overlaps=overlaps,
        targets=targets,
        variance_factor=variance_factor,
        errors=errors,
        patch_fold=patch_fold,
        target_fold=target_fold,
        without=[without(fold) for fold in range(folds)],
    )


def select(evidence: Evidence, free: np.ndarray, has_targets: np.ndarray, confidence: float) -> Selection:
    """Fit all segments together, then hold the worst that fails its test and fit again, until all that move pass.

    ``free`` (s,) bool: segments that may move at all; ``has_targets`` (s,) bool: segments with a target pose. Only
    these are tested, with the one-sided ``confidence``, a share.
    """
    free = free.copy()
    verdicts: dict[int, Verdict] = {}
    while True:
        weight = error_model.best_overlap_weight(evidence.errors, evidence.overlaps, evidence.targets, free)
        solution = overlap_adjustment.solve(evidence.overlaps, evidence.targets, free, weight)
        fits = np.array([overlap_adjustment.solve(*pair, free, weight).motions for pair in evidence.without])
        tested = {
            int(at): assess(int(at), evidence, solution, fits, confidence) for at in np.flatnonzero(free & has_targets)
        }
        verdicts.update(tested)
        failing = [at for at, verdict in tested.items() if verdict.reason]
        if not failing:
            return Selection(solution, free, verdicts, fits[evidence.patch_fold])
        free[min(failing, key=lambda at: _gain_ratio(tested[at]))] = False


def _gain_ratio(verdict: Verdict) -> float:
    """Gain on the withheld patches in units of its standard error."""
    gain = verdict.overlaps
    return gain.mm2 / max(gain.se_mm2, 1e-12) if gain else 0.0


def assess(segment: int, evidence: Evidence, solution: Solution, fits: np.ndarray, confidence: float) -> Verdict:
    """The :class:`Verdict` on one segment; ``fits`` (folds, s, 6): motions by fits that did not use each fold.

    The others stay where these fits put them: only the segment's own motion counts.
    """
    overlaps, targets = _overlap_gain(segment, evidence, fits), _target_gain(segment, evidence, fits)
    squared_mahalanobis = _squared_mahalanobis(segment, evidence.errors.by_targets, solution)
    reason = _reason(overlaps, targets, squared_mahalanobis, confidence)
    return Verdict(reason, overlaps, targets, squared_mahalanobis)


def _reason(overlaps: Gain, targets: Gain, squared_mahalanobis: float, confidence: float) -> str | None:
    """Why a segment stays at its target pose; None where its motion passes all tests."""
    bound = distributions.student_above(1 - confidence, max(overlaps.count - 1, 1))
    if overlaps.count < LEAST_PATCHES:
        return (
            f"its overlaps are too small to test a refined pose: {overlaps.count} patches, at least "
            f"{LEAST_PATCHES} are needed"
        )
    if overlaps.mm2 <= bound * overlaps.se_mm2:
        return (
            f"a refined pose is not clearly better: withheld points of the overlaps fit to {overlaps.after_mm:.3f} mm "
            f"rms in it and to {overlaps.before_mm:.3f} mm in the target pose (gain in mean square "
            f"{overlaps.mm2:.2g} mm², standard error {overlaps.se_mm2:.2g} mm²; more than {bound:.1f} standard errors "
            "are needed)"
        )
    if (
        targets.count > 1
        and targets.mm2 < -distributions.student_above(1 - confidence, targets.count - 1) * targets.se_mm2
    ):
        return (
            f"withheld targets fit worse: {targets.before_mm:.3f} mm rms in the target pose, {targets.after_mm:.3f} mm "
            "in the refined one; look for a panel that moved between the runs"
        )
    if squared_mahalanobis > distributions.chi_squared_below(confidence, 6):
        return (
            f"{CONTRADICTS}: they would move it by {np.sqrt(squared_mahalanobis / 6):.1f} "
            "standard deviations of its target pose (rms of six coordinates); look for a target or a panel that moved "
            "between the runs"
        )
    return None


def _overlap_gain(segment: int, evidence: Evidence, fits: np.ndarray) -> Gain:
    """The :class:`Gain` of a segment's motion on its withheld patches."""
    mine = evidence.patches.touching(segment)
    after = fits[evidence.patch_fold]
    before = after.copy()
    before[:, segment] = 0.0  # the start is the target pose
    return _gain(*(overlap_adjustment.mean_after(evidence.patches, each)[mine] ** 2 for each in (before, after)))


def _target_gain(segment: int, evidence: Evidence, fits: np.ndarray) -> Gain:
    """The :class:`Gain` of a segment's motion on its withheld targets.

    The target pose that a withheld target is compared in is that of the targets outside its fold.
    """
    only = np.arange(fits.shape[1]) == segment
    before = fits.copy()
    for fold, (_, targets) in enumerate(evidence.without):
        before[fold, segment] = overlap_adjustment.solve_targets(targets, only)[segment]
    folds, observed = evidence.target_fold, evidence.observed
    return _gain(*(target_constraints.squared_distances(observed, each[folds], segment) for each in (before, fits)))


def _gain(before: np.ndarray, after: np.ndarray) -> Gain:
    """The :class:`Gain` between squared values, (n,) mm2."""
    if len(before) == 0:
        return Gain(0.0, 0.0, 0, 0.0, 0.0)
    gain = before - after
    error = float(gain.std(ddof=1) / np.sqrt(len(gain))) if len(gain) > 1 else 0.0
    rms = [float(np.sqrt(max(values.mean(), 0.0))) for values in (before, after)]
    return Gain(float(gain.mean()), error, len(gain), *rms)


def _squared_mahalanobis(segment: int, by_targets: np.ndarray, solution: Solution) -> float:
    """Squared Mahalanobis distance of a segment's motion from zero.

    ``by_targets`` (6 s, 6 s): covariance of the poses by the targets alone.
    """
    rows = slice(6 * segment, 6 * segment + 6)
    motion = solution.motions[segment]
    return float(motion @ np.linalg.solve(by_targets[rows, rows], motion))


def weak_directions(segment: int, evidence: Evidence) -> list[WeakDirection]:
    """Small motions of a segment that its overlaps do not determine while the others are held: targets alone fix these.

    Each is a unit motion about the centroid of the segment's patches, in the control frame.
    """
    patches = evidence.patches
    mine = patches.touching(segment)
    if not mine.any():
        return []
    at_mm = patches.at_mm[mine].mean(axis=0)
    arm_mm = max(float(np.sqrt(np.mean(np.sum((patches.at_mm[mine] - at_mm) ** 2, axis=1)))), 1.0)
    shift = np.eye(6)
    shift[3:, :3] = rigid.cross_matrix((at_mm - patches.centre_mm)[None])[0]
    scale = np.array([1 / arm_mm] * 3 + [1.0] * 3)
    rows = slice(6 * segment, 6 * segment + 6)
    H = (shift.T @ evidence.overlaps.matrix[rows, rows] @ shift) * scale[:, None] * scale[None]
    values, vectors = np.linalg.eigh(H)
    return [
        WeakDirection(at_mm, vector[:3] / arm_mm, vector[3:])
        for value, vector in zip(values, vectors.T, strict=True)
        if value <= overlap_adjustment.SPURIOUS * evidence.overlaps.spurious
    ]
