"""Whether the poses of a part agree with the pairs that fit in several ways.

Such a pair places no segment, but one of its ways must be the true one: where it agrees over more distinctive surface
than a pair that did place segments, and none of its ways is near the poses that came out, that pair is doubted.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from nightbay.core import rigid
from nightbay.core.errors import Unplaced
from nightbay.refine import loop_closure
from nightbay.refine.coarse_fit import Fit
from nightbay.refine.coarse_match import SearchedSegment

Pair = tuple[str, str]


@dataclass(frozen=True)
class Ways:
    """The poses ``T_a_b`` (k, 4, 4) in which two segments fit, none of which can be ruled out, and how many
    ``distinctive`` cells agree in the best one."""

    T_a_b: Sequence[np.ndarray]
    distinctive: int


def check(
    ways: Mapping[Pair, Ways],
    fits: Mapping[Pair, Fit],
    used: Mapping[str, Pair],
    poses: Mapping[str, np.ndarray],
    confirmed: set[Pair],
    segments: Mapping[str, SearchedSegment],
) -> None:
    """Compare each pair that fits in several ways with the ``poses`` {segment: ``T_control_segment``}.

    ``fits`` {pair: trusted fit}; ``used`` {segment: the pair that placed it}; ``confirmed`` pairs are held by rings
    that close and not doubted. Raises ``Unplaced`` for the segments on the smaller side of the doubted pair.
    """
    for (a, b), own in sorted(ways.items()):
        links = [pair for pair in _path(a, b, used) if pair not in confirmed]
        if not links:
            continue
        weakest = min(links, key=lambda pair: (fits[pair].distinctive, pair))
        T_a_b = rigid.invert(poses[a]) @ poses[b]
        gap_mm, allowed_mm = loop_closure.distance(T_a_b, own.T_a_b, segments[a], segments[b])
        if gap_mm <= allowed_mm or own.distinctive <= fits[weakest].distinctive:
            continue
        beyond = {name for name in poses if weakest in _links(name, used)}
        small = min((beyond, set(poses) - beyond), key=lambda side: (len(side), sorted(side)))
        reason = (
            f"segments {a} and {b} fit each other in {len(own.T_a_b)} ways, and the poses of the part are none of "
            f"them, {gap_mm:.0f} mm from the nearest, at most {allowed_mm:.0f} mm is allowed: the pose of "
            f"{weakest[0]} and {weakest[1]} may be wrong; put targets or something unmistakable into their overlap"
        )
        raise Unplaced(dict.fromkeys(sorted(small), reason))


def _links(name: str, used: Mapping[str, Pair]) -> Iterator[Pair]:
    """The pairs that placed a segment, from itself to the first one."""
    while name in used:
        pair = used[name]
        yield pair
        name = pair[0] if pair[1] == name else pair[1]


def _path(a: str, b: str, used: Mapping[str, Pair]) -> list[Pair]:
    """The pairs between two segments, through what placed both."""
    of_a, of_b = list(_links(a, used)), list(_links(b, used))
    return [pair for pair in (*of_a, *of_b) if (pair in of_a) != (pair in of_b)]
