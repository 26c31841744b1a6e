"""Which segments saw body, wheels and ground stand to each other alike: the largest set in which none contradicts."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from nightbay.stance.ground_motion import GroundMotion

# A difference counts from so many of its standard uncertainties: some dozens of differences are looked at in a job, of
# normal errors 6 in 100 000 lie further off.
MOST_SDS = 4.0
COMPARED_SD_MM = 1.0  # a pair whose difference is known no better at any wheel is not compared


@dataclass(frozen=True)
class Agreement:
    """``alike``: numbers of the segments that agree and are used; ``moved``: those that contradict them; ``decided``:
    no other set is as large; ``compared``: those that were compared with another at all."""

    alike: list[int]
    moved: list[int]
    decided: bool
    compared: list[int]


def find(
    motion: GroundMotion, wheels_mm: np.ndarray, least_mm: float, seen: Sequence[int], named: int | None
) -> Agreement:
    """The :class:`Agreement` of segments by the heights of the ground below the wheels, (k, 3) mm, level frame.

    ``least_mm``: smallest difference that counts; ``seen`` (s,): how much each segment saw of floor and wheels, which
    chooses where the sets don't decide; ``named``: the segment that the job sheet names.
    """
    compared, against = set(), set()
    for first, second in combinations(range(motion.count), 2):
        if not seen[first] or not seen[second]:
            continue
        apart, covariance = motion.difference(first, second, wheels_mm)
        sd = np.sqrt(np.diag(covariance))
        if sd.min() < COMPARED_SD_MM:
            compared |= {first, second}
        if np.any((np.abs(apart) > least_mm) & (np.abs(apart) > MOST_SDS * sd)):
            against.add((first, second))
    members = sorted(compared)
    sets = [
        set(some)
        for size in range(len(members), 0, -1)
        for some in combinations(members, size)
        if not any(pair in against for pair in combinations(some, 2))
    ]
    if not sets:
        return Agreement(sorted(range(motion.count)), [], True, members)
    if named is not None and named in compared:
        sets = [some for some in sets if named in some]
    sets.sort(key=lambda some: (-len(some), -sum(seen[number] for number in some), sorted(some)))
    best = sets[0]
    moved = [number for number in members if any((min(number, other), max(number, other)) in against for other in best)]
    rival = max((len(some) for some in sets if some & set(moved)), default=0)
    alike = [number for number in range(motion.count) if number not in moved]
    return Agreement(alike, moved, named in compared if named is not None else len(best) > rival, members)
