"""Decides whether the best of the poses that were found for two segments can be trusted.

Two kinds of evidence count, neither of which depends on the size of the overlap: how much surface contradicts, for each
cell that agrees where shape is distinctive, and how far apart the surfaces lie, against what two halves of one segment
show. A pose is trusted only where both are as low as in a true pose, and where every other pose that explains nearly as
much is clearly worse in one of them.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from nightbay.core import rigid
from nightbay.refine import contradiction
from nightbay.refine.coarse_fit import Fit
from nightbay.refine.fine_fit import FineFit

# Where sides of normals aren't known, nothing shows what a scanner looked through: less may be held against a pose.
UNSIDED = 0.5
UNSIDED_OVERLAP = 2.0  # and so many times the least overlap is needed: half of the smaller segment
UNSURE = 1.5  # times as much must contradict in another pose where sides are only likely
OTHER_SHARE = 0.4  # of the distinctive cells that agree in the best pose: another that explains less does not count
TWO_WAYS = "fit each other in two ways"


@dataclass(frozen=True)
class Judged:
    """A pose with what is held against it.

    ``distance``: median distance of the surfaces, in units of what is expected of two scans of one surface; ``share``
    of the smaller segment that agrees; ``sided``: whether the sides of normals were used; ``sure``: whether these are
    known.
    """

    fine: FineFit
    distance: float
    share: float
    sided: bool
    sure: bool

    @property
    def fit(self) -> Fit:
        """The pose and its counts."""
        return self.fine.fit

    @property
    def against(self) -> float:
        """Both kinds of evidence in one number; only a distance above the expected counts, as its square, since a
        misfit adds to noise that way."""
        return self.fit.rate_bound * max(1.0, self.distance) ** 2

    @property
    def rank(self) -> float:
        """By which poses are ranked, the lowest first: the evidence against a pose for what it explains."""
        return self.against / max(self.share, 1e-9)


def enough(judged: Sequence[Judged], settings: Any) -> list[Judged]:
    """The poses in which the segments overlap enough, and not on large planes alone.

    ``settings``: the section refine.
    """
    return [
        pose
        for pose in judged
        if pose.share >= _least_share(pose, settings) and pose.fit.distinctive >= contradiction.LEAST_AGREEING
    ]


def _least_share(pose: Judged, settings: Any) -> float:
    """Share of the smaller segment that must agree, by whether sides of normals are used."""
    return float(settings.overlap_least * (1.0 if pose.sided else UNSIDED_OVERLAP))


def rejected_by(pose: Judged, best: Judged, settings: Any) -> str | None:
    """Why a pose other than the best is out of the question; None where it is not.

    "contradiction", "distance", or "agreement": it explains much less of what is distinctive, and would not be trusted
    if it were alone.
    """
    if pose is best:
        return None
    ambiguity = settings.ambiguity * (1.0 if best.sure else UNSURE)
    if pose.fit.rate_least >= ambiguity * best.fit.rate_bound:
        return "contradiction"
    if pose.distance >= settings.distance_ratio * max(1.0, best.distance):
        return "distance"
    if enough([pose], settings) and pose.fit.rate_bound <= settings.trusted_contradiction_most:
        return None
    return None if pose.fit.distinctive > OTHER_SHARE * best.fit.distinctive else "agreement"


def doubt(judged: Sequence[Judged], xyz_mm: np.ndarray, settings: Any) -> str:
    """Why the first of these poses can't be trusted, as the end of a sentence; "" where it can.

    ``xyz_mm`` (n, 3): cells of the second segment, at whose middle poses are compared; ``settings``: the section
    refine.
    """
    poses = enough(judged, settings)
    if not poses:
        share = max((pose.share for pose in judged), default=0.0)
        if any(pose.share >= _least_share(pose, settings) for pose in judged):
            return (
                f"their surfaces agree over {share:.0%} of the smaller one at best, but hardly anywhere off large "
                "planes, and floors and walls alone do not count; scan more overlap with other shapes or put targets "
                "into it"
            )
        least = _least_share(judged[0], settings) if judged else settings.overlap_least
        return (
            f"their surfaces agree over {share:.0%} of the smaller one at best, {least:.0%} are "
            "needed, floors and walls alone do not count; scan more overlap or put targets into it"
        )
    best = poses[0]
    most = settings.trusted_contradiction_most * (1.0 if best.sided else UNSIDED)
    if best.fit.rate_bound > most:
        setting = "refine.trusted_contradiction_most" + ("" if best.sided else ", half of it without sides of normals")
        return (
            f"their surfaces contradict each other in every pose that was found: {best.fit.rate_bound:.1%} of what "
            f"agrees in the best one, at most {most:.1%} is allowed ({setting}); scan more overlap or put targets into "
            "it"
        )
    if best.distance > settings.distance_most or best.against > most:
        return (
            f"their surfaces do not lie on each other in any pose that was found: they lie {best.fine.offset_mm:.2f} "
            f"mm apart in the best one, {best.distance:.1f} times as far as two scans of one surface, while "
            f"{best.fit.rate_bound:.1%} of what agrees may contradict; at most {settings.distance_most:g} times is "
            "allowed (refine.distance_most), less where surfaces contradict; scan more overlap or put targets into it"
        )
    other = next((pose for pose in judged if pose is not best and rejected_by(pose, best, settings) is None), None)
    if other is None:
        return ""
    motion, middle_mm = rigid.invert(best.fit.T_a_b) @ other.fit.T_a_b, xyz_mm.mean(axis=0)
    shift_mm = float(np.linalg.norm(rigid.transform(motion, middle_mm[None])[0] - middle_mm))
    return (
        f"{TWO_WAYS}, {shift_mm:.0f} mm and {rigid.angle_deg(motion):.0f}° apart; put targets or "
        "something unmistakable into the overlap"
    )
