"""Which segments of a part are connected to each other, and which of them can become a model."""

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from nightbay.core import rigid
from nightbay.refine.coarse_fit import Fit


def connected_sets(names: Sequence[str], links: Iterable[Sequence[str]]) -> list[list[str]]:
    """The sets of ``names`` that ``links``, pairs of names, connect; sets and members in the order of the names."""
    set_of = {name: [name] for name in names}
    for a, b in links:
        joined, other = set_of[a], set_of[b]
        if joined is not other:
            joined += other
            set_of |= dict.fromkeys(other, joined)
    order = {name: at for at, name in enumerate(names)}
    distinct = {id(members): members for members in set_of.values()}
    return sorted(
        (sorted(members, key=order.__getitem__) for members in distinct.values()), key=lambda of: order[of[0]]
    )


def largest(sets: Iterable[list[str]], size: Mapping[str, float]) -> list[str]:
    """The set that becomes the model: most segments, of sets with equally many the one with the larger sum of ``size``
    {name: size}, then the first."""
    return max(sets, key=lambda members: (len(members), sum(size[name] for name in members)))


def along_best_pairs(
    names: Sequence[str], fits: Mapping[tuple[str, str], Fit], known: Mapping[str, np.ndarray]
) -> tuple[dict[str, np.ndarray], dict[str, tuple[str, str]]]:
    """Poses of connected segments along the pairs that agree most, and the pair that placed each.

    They start from the ``known`` poses; where no segment has one, the first holds the frame.
    """
    poses = {name: known[name] for name in names if name in known} or {names[0]: np.eye(4)}
    used: dict[str, tuple[str, str]] = {}
    while len(poses) < len(names):
        border = {
            pair: fit
            for pair, fit in fits.items()
            if set(pair) <= set(names) and (pair[0] in poses) != (pair[1] in poses)
        }
        a, b = max(border, key=lambda pair: border[pair].agreeing)  # the first by name where two are equal
        if a in poses:
            poses[b], used[b] = poses[a] @ border[a, b].T_a_b, (a, b)
        else:
            poses[a], used[a] = poses[b] @ rigid.invert(border[a, b].T_a_b), (a, b)
    return poses, used


def bridges(
    names: Sequence[str], pairs: Iterable[tuple[str, str]], ties: Iterable[Sequence[str]]
) -> dict[tuple[str, str], tuple[list[str], list[str]]]:
    """The ``pairs`` that alone connect two sets of more than two segments together, with the sets of their first and of
    their second segment; ``ties`` connect, too."""
    links, tied = list(pairs), list(ties)
    found = {}
    for pair in links:
        sets = connected_sets(names, [*(other for other in links if other != pair), *tied])
        first, second = (next(own for own in sets if name in own) for name in pair)
        if first is not second and len(first) + len(second) > 2:
            found[pair] = first, second
    return found
