"""The pose from points that both parts have: targets that both saw, or pairs that the job sheet names."""

from dataclasses import dataclass

import numpy as np

from nightbay.core import distributions, rigid
from nightbay.core.errors import NotFound
from nightbay.join import pose_fit
from nightbay.join.skin import Skin

LEAST = 4  # three points make a pose, the fourth tests it
TEST = 0.001  # two-sided significance for all points together: one false alarm in a thousand joins
DROPPED_MOST = 0.25  # share of points that may be blunders: with more, nothing shows which ones are right
NARROWEST = 30.0  # mm rms from one line; as the stage network has it: the rotation about a narrower one is of no use
STEPS = 5  # of the fit: the first step is closed form, the others only settle the weights


@dataclass(frozen=True)
class PointFit:
    """A pose from points: ``T_a_b`` (4, 4), its ``motion`` with the covariance; ``used`` (n,) bool: False for blunders;
    ``withheld_mm`` (n,): error of each point as the others predict it; ``expected_rms_mm`` of those that are used."""

    T_a_b: np.ndarray
    motion: pose_fit.Motion
    used: np.ndarray
    withheld_mm: np.ndarray
    expected_rms_mm: float

    @property
    def withheld_rms_mm(self) -> float:
        """RMS of the prediction errors of the points that are used, mm."""
        return float(np.sqrt(np.mean(self.withheld_mm[self.used] ** 2)))


def fit(points_a: np.ndarray, points_b: np.ndarray, errors_mm2: np.ndarray) -> PointFit | NotFound:
    """The pose of points b (n, 3) in a's frame by their partners a (n, 3), tested by leaving each out in turn.

    ``errors_mm2`` (n, n): covariance of one coordinate of the points' differences. The point that contradicts the
    others most is removed, one at a time, while it fails the test and enough are left.
    """
    count = len(points_a)
    if count < LEAST:
        return NotFound(f"{count} common points are there and {LEAST} are needed")
    used = np.ones(count, bool)
    while True:
        rows = np.flatnonzero(used)
        found = _fit(points_a[rows], points_b[rows], errors_mm2[np.ix_(rows, rows)])
        if found is None:
            return NotFound("the common points lie too near to one line")
        T_a_b, motion = found
        error, ratio = _tests(motion, len(rows))
        if ratio.max() <= distributions.chi_squared_above(TEST / len(rows), 3):
            break
        used[rows[int(np.argmax(ratio))]] = False
        if used.sum() < LEAST or (~used).sum() > DROPPED_MOST * count:
            return NotFound(
                f"the common points contradict each other: predicted by the others, the worst is {error.max():.2f} mm "
                f"off where {_expected(motion):.2f} mm (rms) is expected"
            )
    withheld = np.linalg.norm(points_a - rigid.transform(T_a_b, points_b), axis=1)
    withheld[used] = error
    return PointFit(T_a_b, motion, used, withheld, _expected(motion))


def _fit(
    points_a: np.ndarray, points_b: np.ndarray, errors_mm2: np.ndarray
) -> tuple[np.ndarray, pose_fit.Motion] | None:
    if np.linalg.svd(points_b - points_b.mean(axis=0), compute_uv=False)[1] < NARROWEST * np.sqrt(len(points_b)):
        return None
    weights = 1.0 / np.diag(errors_mm2)
    T_a_b = rigid.fit(points_a, points_b, weights)
    axes = np.tile(np.eye(3), (len(points_a), 1))
    group = np.repeat(np.arange(len(points_a)), 3)
    motion = None
    for _ in range(STEPS):
        at = rigid.transform(T_a_b, points_b)
        centre = at.mean(axis=0)
        J = pose_fit.rows(np.repeat(at, 3, axis=0), axes, centre)
        motion = pose_fit.fit(J, (at - points_a).ravel(), np.kron(errors_mm2, np.eye(3)), group, centre)
        if motion is None:
            return None
        T_a_b = motion.applied_to(T_a_b)
    assert motion is not None
    return T_a_b, motion


def _tests(motion: pose_fit.Motion, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Prediction error of each point, (n,) mm, and its squared Mahalanobis distance."""
    error = motion.predicted_mm.reshape(count, 3)
    blocks = motion.predicted_mm2.reshape(count, 3, count, 3)[np.arange(count), :, np.arange(count)]
    ratio = np.einsum("ni,nij,nj->n", error, np.linalg.inv(blocks), error)
    return np.linalg.norm(error, axis=1), ratio


def _expected(motion: pose_fit.Motion) -> float:
    return float(np.sqrt(3 * np.mean(np.diag(motion.predicted_mm2))))


def errors(a: Skin, b: Skin, at_a_mm: np.ndarray, at_b_mm: np.ndarray, noise_mm2: np.ndarray) -> np.ndarray:
    """Covariance (n, n), mm2, of one coordinate of the differences of points (n, 3) of either part.

    ``noise_mm2`` (n,): variance of a difference by both points' own noise; the parts' distortions are added.
    """
    return a.distortion(at_a_mm) + b.distortion(at_b_mm) + np.diag(noise_mm2)
