"""Point pairs of the job sheet: observations of how two segments lie to each other, rough and independent of surfaces.

They put a pair of segments where their surfaces can be fitted. In the adjustment they are observations with the stated
standard deviation. Surfaces are far more precise: the point pairs decide only in directions that these leave loose, and
there the uncertainty of the pose follows from them.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from nightbay.core import distributions, rigid
from nightbay.core.errors import Rejected
from nightbay.refine import coarse_fit
from nightbay.refine.coarse_match import ThinnedSegment
from nightbay.refine.overlap_adjustment import NormalEquations

PASSED = 0.9999  # share of sound point pairs that pass each test of their residuals


@dataclass(frozen=True)
class PointPairs:
    """Points picked in both of two ``segments``, in the order of their names.

    ``points_mm`` (n, 2, 3): each in its own segment's frame, scaled as the clouds are; ``sd_mm``: standard deviation of
    each coordinate between the two points of a pair.
    """

    segments: tuple[str, str]
    points_mm: np.ndarray
    sd_mm: float

    @property
    def start(self) -> np.ndarray:
        """The pose ``T_a_b`` (4, 4) that fits the points best."""
        return rigid.fit(self.points_mm[:, 0], self.points_mm[:, 1])

    def misfit_mm(self, T_a_b: np.ndarray) -> np.ndarray:
        """What lies between the points of each pair in a pose, (n, 3) mm in the frame of the first segment."""
        return self.points_mm[:, 0] - rigid.transform(T_a_b, self.points_mm[:, 1])

    def fits(self, T_a_b: np.ndarray) -> bool:
        """Whether the points agree with a pose that was found without them, by a chi-squared test."""
        squared = np.sum(self.misfit_mm(T_a_b) ** 2) / self.sd_mm**2
        return bool(squared <= distributions.chi_squared_below(PASSED, 3 * len(self.points_mm)))


def read(written: Sequence[Mapping[str, Any]], factor: float) -> dict[tuple[str, str], PointPairs]:
    """The :class:`PointPairs` that a job sheet lists, by their segments; ``factor``: what lengths are multiplied by."""
    found = {}
    for entry in written:
        a, b = entry["segments"]
        points_mm = factor * np.array(entry["points_mm"], dtype=np.float64)
        found[a, b] = PointPairs((a, b), points_mm, entry["sd_mm"])
    return found


def rough_fit(points: PointPairs, a: ThinnedSegment, b: ThinnedSegment, clear_mm: float) -> coarse_fit.Fit:
    """The pose of two thinned segments by their points, aligned to the surfaces as far as the points allow.

    ``clear_mm``: how far in front of a surface its scanner looked through.
    """
    T_a_b = coarse_fit.align(a, cKDTree(a.xyz_mm), b, points.start)
    if T_a_b is None or not points.fits(T_a_b):
        T_a_b = points.start  # it slid in a direction that the surfaces leave loose
    return coarse_fit.compare(
        a, b, T_a_b, (coarse_fit.self_occluded(a, clear_mm), coarse_fit.self_occluded(b, clear_mm)), clear_mm
    )


def normal_equations(
    pairs: Sequence[PointPairs], names: Sequence[str], poses: Sequence[np.ndarray], centre_mm: np.ndarray
) -> NormalEquations:
    """Normal equations of small motions of the segments ``names`` about the centre, (3,), at their ``poses`` (4, 4).

    Errors of the coordinates are independent, so the matrix is also the covariance of the right side. Points of other
    segments are left out.
    """
    number = {name: at for at, name in enumerate(names)}
    matrix, right = np.zeros((6 * len(names), 6 * len(names))), np.zeros(6 * len(names))
    for pair in pairs:
        if not set(pair.segments) <= number.keys():
            continue
        ends = [number[name] for name in pair.segments]
        at = [rigid.transform(poses[end], pair.points_mm[:, side]) for side, end in enumerate(ends)]
        J = np.zeros((len(pair.points_mm), 3, len(names), 6))
        for sign, end, points in zip((1.0, -1.0), ends, at, strict=True):
            J[:, :, end, :3] = -sign * rigid.cross_matrix(points - centre_mm)
            J[:, :, end, 3:] = sign * np.eye(3)
        A = J.reshape(-1, 6 * len(names)) / pair.sd_mm
        matrix += A.T @ A
        right -= A.T @ ((at[0] - at[1]).ravel() / pair.sd_mm)
    return NormalEquations(matrix, right)


def check(pairs: Sequence[PointPairs], names: Sequence[str], poses: Sequence[np.ndarray]) -> None:
    """Raise :class:`Rejected` for point pairs that the final poses (4, 4) contradict."""
    pose_of = dict(zip(names, poses, strict=True))
    for pair in pairs:
        a, b = pair.segments
        if not {a, b} <= pose_of.keys():
            continue
        T_a_b = rigid.invert(pose_of[a]) @ pose_of[b]
        if not pair.fits(T_a_b):
            rms_mm = np.sqrt(np.mean(np.sum(pair.misfit_mm(T_a_b) ** 2, axis=1)))
            raise Rejected(
                f"the point pairs of segments {a} and {b} contradict their surfaces: in the fitted pose the points of "
                f"a pair lie {rms_mm:.0f} mm apart (rms), which sd_mm of {pair.sd_mm:g} does not allow; correct the "
                "points, or state a larger sd_mm"
            )
