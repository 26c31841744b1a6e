"""Whether the poses of pairs close: three segments and more that overlap in a ring must lead back to where they began.

The poses of pairs are found independently of each other, so a wrong one seldom agrees with the others: a pair on a ring
that closes is right. A pair whose rings all stay open is doubted. In a single ring that is each of its pairs, because
nothing shows which of them is wrong; where other rings confirm the others, it is the wrong one alone.
"""

from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations

import numpy as np

from nightbay.core import rigid
from nightbay.core.errors import Unplaced
from nightbay.refine.coarse_fit import Fit
from nightbay.refine.coarse_match import SearchedSegment
from nightbay.refine.segment_size import cells_mm

CLOSES = (
    3.0  # coarse cells: rms distance of a segment's cells by which a ring may stay open, one for each of three pairs
)
Pair = tuple[str, str]


def check(
    fits: Mapping[Pair, Fit], known: Mapping[str, np.ndarray], segments: Mapping[str, SearchedSegment]
) -> set[Pair]:
    """Compare each pair's own pose with what the chains of other pairs make of it; return those of closed rings.

    ``fits`` {(a, b): trusted fit, ``T_a_b``}; ``known`` {segment: ``T_control_segment``}: several are tied to each
    other, a single one is no evidence. Raises ``Unplaced`` for segments without which no doubted pair is left: first
    to stay are known ones that are tied, then those that pairs of closed rings hold, then the largest.
    """
    ties = {(a, b): rigid.invert(known[a]) @ known[b] for a, b in combinations(known, 2)}
    confirmed, doubted = _verdicts({pair: fit.T_a_b for pair, fit in fits.items()}, ties, segments)
    if not doubted:
        return confirmed
    tied, held = ({name for pair in pairs for name in pair} for pairs in (ties, confirmed))
    order = sorted(segments, key=lambda name: (name not in tied, name not in held, -segments[name].width_mm, name))
    reasons: dict[str, str] = {}
    for at, name in enumerate(order):
        kept = [other for other in order[:at] if other not in reasons]
        mine = [pair for pair in doubted if name in pair and (set(pair) - {name}) & set(kept)]
        if mine:
            reasons[name] = doubted[mine[0]]
    raise Unplaced(reasons)


def _verdicts(
    fits: Mapping[Pair, np.ndarray], ties: Mapping[Pair, np.ndarray], segments: Mapping[str, SearchedSegment]
) -> tuple[set[Pair], dict[Pair, str]]:
    """Pairs of rings that close, ``ties`` among them, and {pair: sentence} of those whose rings all stay open.

    Short rings come first. A pair that all others of one ring contradict, each of them confirmed, is not tried on
    longer rings.
    """
    T = {**fits, **ties}
    T |= {(b, a): rigid.invert(T_a_b) for (a, b), T_a_b in T.items()}
    confirmed = set(ties)
    doubted: dict[Pair, str] = {}
    untried = list(fits)
    for links in range(2, len({name for pair in T for name in pair})):
        rings = {pair: list(_chains(pair, links, T)) for pair in untried}
        gaps = {pair: [_gap(pair, chain, T, segments) for chain in chains] for pair, chains in rings.items() if chains}
        confirmed |= {pair for pair, of in gaps.items() if min(of)[0] <= 0}
        for pair, of in gaps.items():
            doubted.setdefault(pair, min(of)[1])
        decided = confirmed | {
            pair for pair, chains in rings.items() if any(_all_in(confirmed, chain) for chain in chains)
        }
        untried = [pair for pair in untried if pair not in decided]
    return confirmed, {pair: sentence for pair, sentence in doubted.items() if pair not in confirmed}


def _chains(pair: Pair, links: int, T: Mapping[Pair, np.ndarray]) -> Iterator[list[Pair]]:
    """Chains of so many pairs from a pair's first segment to its second, none through a segment twice."""
    start, end = pair

    def onward(chain: list[Pair], left: int) -> Iterator[list[Pair]]:
        at = chain[-1][1] if chain else start
        passed = {start, *(step[1] for step in chain)}
        for step in T:
            if step[0] != at or step[1] in passed or step == pair or (step[1] == end) != (left == 1):
                continue
            if left == 1:
                yield [*chain, step]
            else:
                yield from onward([*chain, step], left - 1)

    return onward([], links)


def _all_in(confirmed: set[Pair], chain: list[Pair]) -> bool:
    return all(step in confirmed or step[::-1] in confirmed for step in chain)


def _gap(
    pair: Pair, chain: list[Pair], T: Mapping[Pair, np.ndarray], segments: Mapping[str, SearchedSegment]
) -> tuple[float, str]:
    """By how much, mm, a chain leads further from a pair's own pose than is allowed, and a sentence about it."""
    a, b = pair
    chained = np.eye(4)
    for step in chain:
        chained = chained @ T[step]
    open_mm, allowed_mm = distance(T[pair], [chained], segments[a], segments[b])
    return open_mm - allowed_mm, (
        f"segments {a} and {b} fit each other {open_mm:.0f} mm from where the other segments put them, at most "
        f"{allowed_mm:.0f} mm is allowed: one of these poses is wrong; put targets or something unmistakable "
        "into their overlaps"
    )


def distance(
    T_a_b: np.ndarray, others: Sequence[np.ndarray], a: SearchedSegment, b: SearchedSegment
) -> tuple[float, float]:
    """Root mean square distance, mm, of the cells of ``b`` in a pose from where the nearest of ``others`` puts them,
    and how much of it is allowed."""
    coarse_mm, *_ = cells_mm((a.width_mm, b.width_mm), max(a.spacing_mm, b.spacing_mm))
    xyz_mm = b.thinned(coarse_mm).xyz_mm
    at_mm = rigid.transform(T_a_b, xyz_mm)
    apart_mm = [np.sqrt(np.mean(np.sum((rigid.transform(T, xyz_mm) - at_mm) ** 2, axis=1))) for T in others]
    return float(min(apart_mm)), CLOSES * coarse_mm
