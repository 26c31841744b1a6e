"""Whether the segments of a part agree in their final poses: the last check of the poses, however they were found.

Two segments agree where both have measured the same surface. They contradict each other where surface of one stands in
space that the other's scanner looked through, or passes the other's surface in a step (:mod:`refine.coarse_fit`).
The cloud of another vehicle, a pose that is wrong, and a part of the vehicle that stood differently all contradict.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from nightbay.clouds.cloud import CloudFile
from nightbay.core import rigid
from nightbay.refine import coarse_fit, coarse_match
from nightbay.refine.coarse_fit import Fit
from nightbay.refine.part import Sizes
from nightbay.refine.result import Contradictions, DoubtedSegment, PairAgreement

LEAST_AGREEING = 50  # cells of two segments: fewer may be neighbours by coincidence


@dataclass(frozen=True)
class Agreement:
    """How far segments agree in their final poses, by cells of ``cell_mm``.

    ``pairs`` {(segment, segment): fit}; ``doubted`` {segment: fit over all it was compared with}, the worst first;
    ``isolated``: segments whose surface meets no other's.
    """

    pairs: dict[tuple[str, str], Fit]
    doubted: dict[str, Fit]
    isolated: list[str]
    cell_mm: float

    def record(self) -> Contradictions:
        """The agreement as the stage's result lists it."""
        return Contradictions(
            self.cell_mm,
            [PairAgreement(list(names), fit.agreeing, fit.contradicting) for names, fit in self.pairs.items()],
            [DoubtedSegment(name, fit.agreeing, fit.contradicting) for name, fit in self.doubted.items()],
            self.isolated,
        )


def find(
    names: Sequence[str], clouds: Sequence[CloudFile], poses: Sequence[np.ndarray], sizes: Sizes, most: float
) -> Agreement:
    """The :class:`Agreement` of working clouds in their poses ``T_control_segment``, (4, 4) each.

    ``most``: cells that may contradict for each that agrees; a segment beyond it is doubted.
    """
    thinned = [coarse_match.thin(cloud, sizes.cell_mm) for cloud in clouds]
    occluded = [coarse_fit.self_occluded(segment, sizes.clear_mm) for segment in thinned]
    pairs = {}
    for a, b in combinations(range(len(names)), 2):
        T_a_b = rigid.invert(poses[a]) @ poses[b]
        pairs[names[a], names[b]] = coarse_fit.compare(
            thinned[a], thinned[b], T_a_b, (occluded[a], occluded[b]), sizes.clear_mm
        )
    isolated = [name for name in names if len(names) > 1 and _over(pairs, name, names).agreeing < LEAST_AGREEING]
    return Agreement(pairs, doubted(pairs, names, most), isolated, sizes.cell_mm)


def doubted(pairs: Mapping[tuple[str, str], Fit], names: Iterable[str], most: float) -> dict[str, Fit]:
    """The segments that contradict the others: {segment: fit}.

    ``most``: cells that may contradict for each that agrees. The worst segment is removed first, with its
    contradictions: they do not count against the others. Where two contradict only each other, nothing shows which one
    is wrong. So segments that contradict equally are removed together.
    """
    found: dict[str, Fit] = {}
    left = list(names)
    while len(left) > 1:
        fits = {name: _over(pairs, name, left) for name in left}
        worst = max(left, key=lambda name: _certain_rate(fits[name]))
        if _certain_rate(fits[worst]) <= most:
            break
        for name in [name for name in left if fits[name].contradicting == fits[worst].contradicting]:
            found[name] = fits[name]
            left.remove(name)
    return found


def _over(pairs: Mapping[tuple[str, str], Fit], name: str, names: Iterable[str]) -> Fit:
    """A segment's fit over all of its pairs with ``names``."""
    mine = [fit for pair, fit in pairs.items() if name in pair and set(pair) <= set(names)]
    counts = (sum(getattr(fit, name) for fit in mine) for name in ("agreeing", "distinctive", "contradicting"))
    return Fit(np.eye(4), *counts)


def _certain_rate(fit: Fit) -> float:
    """Lower bound of the rate of contradiction: the count less two of its standard deviations and three cells."""
    return float((fit.contradicting - 2 * np.sqrt(fit.contradicting) - 3) / max(fit.agreeing, 1))
