"""Which segments of a part are connected to each other, and which of them can become a model."""

from collections.abc import Iterable, Mapping, Sequence


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
