"""Joins the target lists of a part to groups that fit each other, from the best matched pair to the whole.

Every list begins as a group of its own. The two groups with the best match become one, whose targets are then in one
frame and are matched again with all others: a list that shares too little with each of the others may share enough with
all of them. Names have no influence: lists are taken in the order of their sizes and coordinates.
"""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import combinations
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from nightbay.core import rigid
from nightbay.matching import consensus, matching, pose_search
from nightbay.matching.pairing import Tolerance
from nightbay.matching.target_list import TargetList

WITHOUT_NORMALS = ("few", "by chance")  # refusals for which it is worth trying without normals
# Expected false matches of a certain match: with the 66 pairs of a dozen lists, an accident in one of 15 000 networks.
CERTAIN = 1e-6


@dataclass(frozen=True)
class Group:
    """Lists that fit each other, and what is known of their targets.

    ``members`` {number of a list: T_group_list (4, 4)} in the order in which they were joined; ``xyz_mm`` (n, 3) of all
    their targets, each once, in the frame of the first member, with ``normal`` (n, 3) or None and ``id`` (list of n);
    ``root``: number of the member that has no match of its own; ``common``: common targets of each match that was used.
    """

    members: dict[int, np.ndarray]
    root: int
    xyz_mm: np.ndarray
    normal: np.ndarray | None
    id: list[str | None]
    common: tuple[int, ...] = ()

    @cached_property
    def index(self) -> pose_search.Index:
        """The targets ready to be searched, by their normals too where there are any."""
        return pose_search.index(self.xyz_mm, self.normal)

    @cached_property
    def index_without_normals(self) -> pose_search.Index:
        """The same by distances alone."""
        return self.index if self.normal is None else pose_search.index(self.xyz_mm)


@dataclass(frozen=True)
class GroupMatch:
    """A certified match of group ``b`` to group ``a``, by ``labelled`` rows (k, 2) among others.

    ``without_normals``: the normals contradict the match, which rests on distances alone.
    """

    a: Group
    b: Group
    match: matching.Match
    labelled: np.ndarray
    without_normals: bool

    @property
    def rank(self) -> tuple[bool, bool, float]:
        """Lowest for the best match: normals agree, no accident, and stiff.

        Stiffness is the root of the summed squared distances, mm, of the common targets from the line that fits them
        best. The rotation about that line is known to the noise of a target divided by it: both the number of the
        targets and their distance from the line count.
        """
        common = self.b.xyz_mm[self.match.rows_b]
        stiffness_mm = consensus.width(common) * np.sqrt(len(common))
        return self.without_normals, self.match.expected_false > CERTAIN, -stiffness_mm


@dataclass(frozen=True)
class Joined:
    """What is left of the groups when no two of them match.

    ``used`` [(number of the list that the match positions, :class:`GroupMatch`)] in their order; ``unused``: matches
    between two lists that others made redundant; ``refused`` {(a, b): NoMatch} by the numbers of two groups.
    """

    groups: list[Group]
    used: list[tuple[int, GroupMatch]]
    unused: list[GroupMatch] = field(default_factory=list)
    refused: dict[tuple[int, int], matching.NoMatch] = field(default_factory=dict)


Find = Callable[[Group, Group], GroupMatch | matching.NoMatch]


def join(lists: Sequence[TargetList], tolerance: Tolerance, settings: Any, placed: bool) -> Joined:
    """The :class:`Joined` groups of target lists, one where all fit each other; ``settings``: the section network."""
    with_normals = all(target_list.normal is not None for target_list in lists)
    order = sorted(range(len(lists)), key=lambda at: (-len(lists[at]), lists[at].xyz_mm.tolist()))
    groups = [_single(at, lists[at], with_normals) for at in order]

    def find(a: Group, b: Group) -> GroupMatch | matching.NoMatch:
        return match_groups(a, b, tolerance, settings, placed)

    used: list[tuple[int, GroupMatch]] = []
    if lists[0].is_survey:
        groups, used = _to_the_survey(groups, find, settings.same_target_mm)
    return _grow(groups, used, find, settings.same_target_mm)


def _single(number: int, target_list: TargetList, with_normals: bool) -> Group:
    ids: list[str | None] = [*target_list.id] if target_list.id else [None] * len(target_list)
    return Group({number: np.eye(4)}, number, target_list.xyz_mm, target_list.normal if with_normals else None, ids)


def _to_the_survey(
    groups: Sequence[Group], find: Find, same_mm: float
) -> tuple[list[Group], list[tuple[int, GroupMatch]]]:
    """The survey with all lists that match it, since errors don't add up along its matches, and the rest."""
    survey = next(group for group in groups if group.root == 0)
    whole, used, rest = survey, [], []
    for group in groups:
        if group is survey:
            continue
        found = find(survey, group)
        if isinstance(found, matching.NoMatch):
            rest.append(group)
            continue
        used.append((group.root, found))
        whole = _merge(found, whole, 0, same_mm)
    in_order = {number: whole.members[number] for number in sorted(whole.members)}
    return [replace(whole, members=in_order), *rest], used


def _grow(groups: Sequence[Group], used: Sequence[tuple[int, GroupMatch]], find: Find, same_mm: float) -> Joined:
    """Join the best matched groups until no two match."""
    groups, used, unused = list(groups), list(used), []
    left = set(range(len(groups)))
    found: dict[tuple[int, int], GroupMatch] = {}
    refused: dict[tuple[int, int], matching.NoMatch] = {}
    while True:
        for pair in combinations(sorted(left), 2):
            if pair in found or pair in refused:
                continue
            match = find(*_longer_first(groups[pair[0]], groups[pair[1]]))
            if isinstance(match, matching.NoMatch):
                refused[pair] = match
            else:
                found[pair] = match
        if not found:
            break
        best = min(found, key=lambda pair: (found[pair].rank, pair))
        joining = found[best]
        for pair in [pair for pair in found if set(pair) & set(best)]:
            other = found.pop(pair)
            if other is not joining and len(other.a.members) == len(other.b.members) == 1:
                unused.append(other)
        refused = {pair: why for pair, why in refused.items() if not set(pair) & set(best)}
        # the first list, which holds the frame in the end, needs no match
        roots = (joining.a.root, 0) if joining.b.root == 0 else (joining.b.root, joining.a.root)
        used.append((roots[0], joining))
        groups.append(_merge(joining, joining.a, roots[1], same_mm))
        left = left - set(best) | {len(groups) - 1}
    number = {at: new for new, at in enumerate(sorted(left))}
    refused = {(number[a], number[b]): why for (a, b), why in refused.items()}
    return Joined([groups[at] for at in sorted(left)], used, unused, refused)


def _longer_first(group: Group, other: Group) -> tuple[Group, Group]:
    """The group with more targets first, since of the other a larger share is common; a survey is always first."""
    if 0 in other.members and 0 not in group.members:
        return other, group
    return (other, group) if len(other.xyz_mm) > len(group.xyz_mm) else (group, other)


def match_groups(
    a: Group, b: Group, tolerance: Tolerance, settings: Any, placed: bool = False
) -> GroupMatch | matching.NoMatch:
    """Match two groups; ``placed``: all lists claim to be in one frame, which is tried and checked. Where normals
    prevent a match, distances alone are tried."""
    fewest = min(len(a.xyz_mm), len(b.xyz_mm))
    if fewest < matching.LEAST:
        return matching.NoMatch("few", fewest)
    labelled = _labelled(a.id, b.id)
    limits = matching.Limits(settings.false_matches_max, settings.narrowest_mm)
    claims = matching.Claims(labelled, np.eye(4) if placed else None)
    match = matching.match(a.index, b.xyz_mm, tolerance, limits, normal_b=b.normal, claims=claims)
    if not isinstance(match, matching.NoMatch):
        return GroupMatch(a, b, match, labelled, False)
    if a.normal is None or match.reason not in WITHOUT_NORMALS:
        return match
    match = matching.match(a.index_without_normals, b.xyz_mm, tolerance, limits, claims=claims)
    return match if isinstance(match, matching.NoMatch) else GroupMatch(a, b, match, labelled, True)


def _labelled(id_a: Sequence[str | None], id_b: Sequence[str | None]) -> np.ndarray:
    """Row pairs (k, 2) of ids that occur once in each list."""
    times_a, times_b = Counter(id_a), Counter(id_b)
    row_of = {label: row for row, label in enumerate(id_a) if label is not None and times_a[label] == 1}
    pairs = [(row_of[label], row) for row, label in enumerate(id_b) if label in row_of and times_b[label] == 1]
    return np.array(pairs, np.int64).reshape(-1, 2)


def _merge(found: GroupMatch, a: Group, root: int, same_mm: float) -> Group:
    """One group in the frame of a: its targets, and what the match's group b alone has seen."""
    T, b = found.match.T_a_b, found.b
    xyz = rigid.transform(T, b.xyz_mm)
    alone = np.flatnonzero(cKDTree(a.xyz_mm).query(xyz)[0] > same_mm)
    normal = None
    if a.normal is not None and b.normal is not None:
        normal = np.concatenate([a.normal, rigid.rotate(T, b.normal[alone])])
    return Group(
        a.members | {number: T @ T_b for number, T_b in b.members.items()},
        root,
        np.concatenate([a.xyz_mm, xyz[alone]]),
        normal,
        a.id + [b.id[row] for row in alone],
        (*a.common, *b.common, len(found.match.rows_b)),
    )


def find_contradiction(joined: Joined, lists: Sequence[TargetList], same_mm: float) -> GroupMatch | None:
    """The first unused match that is no accident and that the poses of a whole network contradict, or None.

    Where sides look alike, two lists that share nothing fit each other, perhaps better than others do; a true match
    then contradicts them. Two lists that share targets in these poses too hold something that moved, which is no
    contradiction.
    """
    (whole,) = joined.groups
    placed = {number: rigid.transform(T, lists[number].xyz_mm) for number, T in whole.members.items()}
    for found in joined.unused:
        if found.match.expected_false > CERTAIN or found.without_normals:
            continue
        xyz_a, xyz_b = placed[found.a.root], placed[found.b.root]
        apart = np.linalg.norm(xyz_a[found.match.rows_a] - xyz_b[found.match.rows_b], axis=1)
        shared = (cKDTree(xyz_a).query(xyz_b)[0] < same_mm).sum()
        if np.median(apart) >= same_mm and shared < matching.LEAST:
            return found
    return None
