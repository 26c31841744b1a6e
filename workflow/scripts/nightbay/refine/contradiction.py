"""Whether the segments of a part agree in their final poses: the last look at the poses, however they were found.

Two segments agree where both have measured the same surface. They contradict each other where surface of one stands in
space that the other's scanner looked through, or passes the other's surface in a step (:mod:`refine.coarse_fit`).
The cloud of another vehicle, a pose that is wrong, and a part of the vehicle that stood differently all contradict.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from nightbay.core import rigid
from nightbay.refine import coarse_fit, coarse_match
from nightbay.refine.result import Contradictions, DoubtedSegment, PairAgreement

FEWEST = 50  # cells of two segments that agree: fewer are chance neighbours


@dataclass(frozen=True)
class Found:
    """``pairs`` {(segment, segment): Fit}; ``doubted`` {segment: Fit over all it was compared with}, the worst first;
    ``isolated``: segments whose surface meets no other's; ``cell_mm``."""

    pairs: dict
    doubted: dict
    isolated: list
    cell_mm: float

    def record(self) -> Contradictions:
        """What the result of the stage says."""
        return Contradictions(
            self.cell_mm,
            [PairAgreement(list(names), fit.agree, fit.conflict) for names, fit in self.pairs.items()],
            [DoubtedSegment(name, fit.agree, fit.conflict) for name, fit in self.doubted.items()],
            self.isolated,
        )


def find(names, clouds, poses, cell_mm, most):
    """The :class:`Found` of working clouds in their poses ``T_control_segment``, (4, 4) each.

    ``most``: cells that may contradict for each that agrees; a segment beyond it is doubted.
    """
    thinned = [coarse_match.thin(cloud, cell_mm) for cloud in clouds]
    narrow = [coarse_fit.narrow(one) for one in thinned]
    pairs = {}
    for a, b in combinations(range(len(names)), 2):
        T_a_b = rigid.invert(poses[a]) @ poses[b]
        pairs[names[a], names[b]] = coarse_fit.judge(thinned[a], thinned[b], T_a_b, (narrow[a], narrow[b]))
    isolated = [name for name in names if len(names) > 1 and _over(pairs, name, names).agree < FEWEST]
    return Found(pairs, doubted(pairs, names, most), isolated, float(cell_mm))


def doubted(pairs, names, most):
    """The segments that contradict the others: {segment: Fit}.

    The worst one goes first and takes its contradictions along, for those are its own and not the others'. Where two
    contradict only each other, nothing tells which one is wrong: those that contradict equally go together.
    """
    found, left = {}, list(names)
    while len(left) > 1:
        fits = {name: _over(pairs, name, left) for name in left}
        worst = max(left, key=lambda name: _surely(fits[name]))
        if _surely(fits[worst]) <= most:
            break
        for name in [name for name in left if fits[name].conflict == fits[worst].conflict]:
            found[name] = fits[name]
            left.remove(name)
    return found


def _over(pairs, name, names):
    """A segment's :class:`coarse_fit.Fit` over all of its pairs with ``names``."""
    mine = [fit for pair, fit in pairs.items() if name in pair and set(pair) <= set(names)]
    return coarse_fit.Fit(np.eye(4), sum(fit.agree for fit in mine), sum(fit.conflict for fit in mine))


def _surely(fit):
    """The rate that a fit contradicts at for certain: two standard deviations of the count, and three cells, less."""
    return (fit.conflict - 2 * np.sqrt(fit.conflict) - 3) / max(fit.agree, 1)
