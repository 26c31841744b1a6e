"""Joins the target lists of a part to groups that fit each other, from the best tied pair to the whole.

Every list begins as a group of its own. The two groups that are tied best become one, whose targets are known from then
on in one frame, and are matched anew with all others; so a list that shares too little with each of the others may
still share enough with all of them. Names decide nothing: lists are taken in the order of their sizes and coordinates.
"""

from collections import Counter
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import combinations

import numpy as np
from scipy.spatial import cKDTree

from nightbay.core import rigid
from nightbay.matching import consensus, matching, pose_search

SURVEY = "control survey"  # name of that list
WITHOUT_NORMALS = ("few", "chance")  # refusals for which it is worth trying without normals
SURE = 1e-6  # chance of a tie: of the 66 pairs of a dozen lists, one in 15 000 networks is tied so by accident


@dataclass(frozen=True)
class Group:
    """Lists that fit each other, and what is known of their targets.

    ``members`` {number of a list: T_group_list (4, 4)} in the order in which they were tied; ``xyz_mm`` (n, 3) of all
    their targets, each once, in the frame of the first member, with ``normal`` (n, 3) or None and ``id`` (list of n);
    ``root``: number of the member that has no tie of its own; ``common``: common targets of each tie that was used.
    """

    members: dict
    root: int
    xyz_mm: np.ndarray
    normal: np.ndarray | None
    id: list
    common: tuple = ()

    @cached_property
    def index(self):
        """The targets ready to be searched, by their normals too where there are any."""
        return pose_search.index(self.xyz_mm, self.normal)

    @cached_property
    def index_without_normals(self):
        """The same by distances alone."""
        return self.index if self.normal is None else pose_search.index(self.xyz_mm)


@dataclass(frozen=True)
class Tie:
    """A certified match of group ``b`` to group ``a``, by ``labelled`` rows (k, 2) among others.

    ``without_normals``: the normals contradict the match, which rests on distances alone.
    """

    a: Group
    b: Group
    match: matching.Match
    labelled: np.ndarray
    without_normals: bool

    @property
    def rank(self):
        """Lowest for the best tie: normals agree, no accident, and stiff.

        Stiffness is the root of the summed squared distances, mm, of the common targets from the line that fits them
        best: the turn about that line is known to the noise of a target divided by it, so that both the number of the
        targets and how wide they lie count.
        """
        common = self.b.xyz_mm[self.match.rows_b]
        stiffness_mm = consensus.width(common) * np.sqrt(len(common))
        return self.without_normals, self.match.chance > SURE, -stiffness_mm


@dataclass(frozen=True)
class Joined:
    """What is left of the groups when no two of them are tied.

    ``ties`` [(number of the list that the tie holds, :class:`Tie`)] that were used, in their order; ``unused``: ties
    between two lists that others made needless; ``refused`` {(a, b): NoMatch} by the places of two groups.
    """

    groups: list
    ties: list
    unused: list = field(default_factory=list)
    refused: dict = field(default_factory=dict)


def join(lists, tolerance, settings, placed):
    """The :class:`Joined` groups of target lists, one where all fit each other."""
    with_normals = all(one.normal is not None for one in lists)
    order = sorted(range(len(lists)), key=lambda at: (-len(lists[at]), lists[at].xyz_mm.tolist()))
    groups = [_single(at, lists[at], with_normals) for at in order]

    def find(a, b):
        return tie(a, b, tolerance, settings, placed)

    ties = []
    if lists[0].name == SURVEY:
        groups, ties = _to_the_survey(groups, find, settings["same_target_mm"])
    return _grow(groups, ties, find, settings["same_target_mm"])


def _single(at, one, with_normals):
    ids = list(one.id or [None] * len(one))
    return Group({at: np.eye(4)}, at, one.xyz_mm, one.normal if with_normals else None, ids)


def _to_the_survey(groups, find, same_mm):
    """The survey with all lists that it ties by itself, since errors don't add up along its ties, and the rest."""
    survey = next(group for group in groups if group.root == 0)
    whole, ties, rest = survey, [], []
    for group in groups:
        if group is survey:
            continue
        try:
            found = find(survey, group)
        except matching.NoMatch:
            rest.append(group)
            continue
        ties.append((group.root, found))
        whole = _merge(whole, group, found.match, 0, same_mm)
    in_order = {at: whole.members[at] for at in sorted(whole.members)}
    return [replace(whole, members=in_order), *rest], ties


def _grow(groups, ties, find, same_mm):
    """Join the best tied groups until no two are tied."""
    groups, ties, unused = list(groups), list(ties), []
    left, found, refused = set(range(len(groups))), {}, {}
    while True:
        for pair in combinations(sorted(left), 2):
            if pair in found or pair in refused:
                continue
            try:
                found[pair] = find(*_longer_first(groups[pair[0]], groups[pair[1]]))
            except matching.NoMatch as why:
                refused[pair] = why
        if not found:
            break
        best = min(found, key=lambda pair: (found[pair].rank, pair))
        used = found[best]
        for pair in [pair for pair in found if set(pair) & set(best)]:
            other = found.pop(pair)
            if other is not used and len(other.a.members) == len(other.b.members) == 1:
                unused.append(other)
        refused = {pair: why for pair, why in refused.items() if not set(pair) & set(best)}
        # the list that holds the frame in the end, the first, needs no tie
        held, root = (used.a.root, 0) if used.b.root == 0 else (used.b.root, used.a.root)
        ties.append((held, used))
        groups.append(_merge(used.a, used.b, used.match, root, same_mm))
        left = left - set(best) | {len(groups) - 1}
    places = {at: place for place, at in enumerate(sorted(left))}
    refused = {(places[a], places[b]): why for (a, b), why in refused.items()}
    return Joined([groups[at] for at in sorted(left)], ties, unused, refused)


def _longer_first(one, other):
    """The group with more targets first, since of the other a larger share is common; a survey is always first."""
    if 0 in other.members and 0 not in one.members:
        return other, one
    return (other, one) if len(other.xyz_mm) > len(one.xyz_mm) else (one, other)


def tie(a, b, tolerance, settings, placed=False):
    """The :class:`Tie` of two groups; ``placed``: all lists claim to be in one frame, which is tried and checked.

    Raises :class:`nightbay.matching.matching.NoMatch`.
    """
    least = min(len(a.xyz_mm), len(b.xyz_mm))
    if least < matching.LEAST:
        raise matching.NoMatch("few", least)
    labelled = _labelled(a.id, b.id)
    common = {
        "chance_max": settings["chance_max"],
        "width_mm": settings["narrowest_mm"],
        "labelled": labelled,
        "T_guess": np.eye(4) if placed else None,
    }
    try:
        match = matching.match(a.xyz_mm, b.xyz_mm, tolerance, normal_b=b.normal, index=a.index, **common)
        return Tie(a, b, match, labelled, False)
    except matching.NoMatch as refused:
        if a.normal is None or refused.why not in WITHOUT_NORMALS:
            raise
    match = matching.match(a.xyz_mm, b.xyz_mm, tolerance, index=a.index_without_normals, **common)
    return Tie(a, b, match, labelled, True)


def _labelled(id_a, id_b):
    """Row pairs (k, 2) of ids that stand once in each list."""
    times_a, times_b = Counter(id_a), Counter(id_b)
    at_a = {label: row for row, label in enumerate(id_a) if label is not None and times_a[label] == 1}
    pairs = [(at_a[label], row) for row, label in enumerate(id_b) if label in at_a and times_b[label] == 1]
    return np.array(pairs, np.int64).reshape(-1, 2)


def _merge(a, b, match, root, same_mm):
    """One group in the frame of a: its targets, and what b alone has seen."""
    T = match.T_a_b
    xyz = rigid.transform(T, b.xyz_mm)
    alone = np.flatnonzero(cKDTree(a.xyz_mm).query(xyz)[0] > same_mm)
    return Group(
        a.members | {at: T @ T_b for at, T_b in b.members.items()},
        root,
        np.concatenate([a.xyz_mm, xyz[alone]]),
        None if a.normal is None else np.concatenate([a.normal, rigid.rotate(T, b.normal[alone])]),
        a.id + [b.id[row] for row in alone],
        (*a.common, *b.common, len(match.rows_b)),
    )


def contradicting(joined, lists, same_mm):
    """The first unused :class:`Tie` that is no accident and that the poses of a whole network contradict, or None.

    Where sides look alike, two lists that share nothing fit each other, and may be tied better than others; a true tie
    then says otherwise. Two lists that share targets in these poses too hold something that moved, which is no
    contradiction.
    """
    (whole,) = joined.groups
    placed = {at: rigid.transform(T, lists[at].xyz_mm) for at, T in whole.members.items()}
    for found in joined.unused:
        if found.match.chance > SURE or found.without_normals:
            continue
        xyz_a, xyz_b = placed[found.a.root], placed[found.b.root]
        apart = np.linalg.norm(xyz_a[found.match.rows_a] - xyz_b[found.match.rows_b], axis=1)
        shared = (cKDTree(xyz_a).query(xyz_b)[0] < same_mm).sum()
        if np.median(apart) >= same_mm and shared < matching.LEAST:
            return found
    return None
