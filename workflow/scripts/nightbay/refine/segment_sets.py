"""Joins sets of segments that trusted pairs connect: each set is searched as if one segment had seen all that it saw.

A pair that fits in several ways, contradicts or overlaps too little may be one of several between two sets: where
segments lie in a ring, both ends of a chain of trusted pairs overlap the rest. The true pose of the sets agrees at all
of these places, and another must contradict what any segment of one set saw of the other. What is trusted is decided
by the same rules as for a pair (:mod:`refine.pair_decision`), only with more surface as evidence.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import combinations, product
from typing import Any

import numpy as np

from nightbay.clouds.cloud import CloudFile
from nightbay.core import rigid
from nightbay.refine import pair_graph, pair_search
from nightbay.refine.coarse_fit import Fit
from nightbay.refine.coarse_match import SearchedSegment
from nightbay.refine.merged_cloud import MergedCloud
from nightbay.refine.pair_search import PairSearch, Searches

Pair = tuple[str, str]
Set = tuple[str, ...]


def contradicted(
    names: Sequence[str],
    fits: Mapping[Pair, Fit],
    known: Mapping[str, np.ndarray],
    searches: Searches,
    clouds: Mapping[str, CloudFile],
    settings: Any,
) -> dict[Pair, str]:
    """Pairs that alone connect two sets which contradict each other in their pose, {pair: sentence}.

    No ring shows whether such a pair is right, but all that the segments of one set saw must agree with the other set.
    The pair with most contradiction goes first, since a wrong one puts segments in wrong places on the side of others.
    Pairs of point pairs are not doubted here: what their pose contradicts is told at the end.
    """
    left = dict(fits)
    found: dict[Pair, str] = {}
    while True:
        rates = {}
        for pair, sets in pair_graph.bridges(names, left, combinations(known, 2)).items():
            if pair in searches.points:
                continue
            first, second = (pair_graph.along_best_pairs(own, left, known)[0] for own in sets)
            a, b = (_merged(list(own), own, searches, clouds) for own in (first, second))
            T = first[pair[0]] @ left[pair].T_a_b @ rigid.invert(second[pair[1]])
            rates[pair] = pair_search.judged_pose(a, b, T, settings).fit.rate_bound
        worst = max(rates, key=lambda pair: (rates[pair], pair), default=None)
        most = settings.trusted_contradiction_most if rates else 0.0
        if worst is None or rates[worst] <= most:
            return found
        del left[worst]
        found[worst] = (
            f"segments {worst[0]} and {worst[1]} fit each other, but then the segments beside them contradict each "
            f"other: {rates[worst]:.1%} of what agrees, at most {most:.1%} is allowed "
            "(refine.trusted_contradiction_most); scan more overlap or put targets into it"
        )


def search(
    sets: Sequence[Sequence[str]],
    poses: Mapping[str, np.ndarray],
    searches: Searches,
    clouds: Mapping[str, CloudFile],
    settings: Any,
    tried: set[tuple[Set, Set]],
) -> tuple[Pair, PairSearch] | None:
    """The pair that connects two of the ``sets``, with the search that tells its pose; None where none is trusted.

    ``poses`` {segment: pose in the frame of its set}; ``tried``: sets that were searched in vain, to which those of
    this call are added. The largest sets come first. Two single segments are not searched again.
    """
    for first, second in sorted(combinations(sets, 2), key=lambda two: -len(two[0]) - len(two[1])):
        key = tuple(first), tuple(second)
        if len(first) + len(second) == 2 or key in tried:
            continue
        found = _search(first, second, poses, searches, clouds, settings)
        if found is not None:
            return found
        tried.add(key)
    return None


def _search(
    first: Sequence[str],
    second: Sequence[str],
    poses: Mapping[str, np.ndarray],
    searches: Searches,
    clouds: Mapping[str, CloudFile],
    settings: Any,
) -> tuple[Pair, PairSearch] | None:
    """The search for two sets."""
    near, far = (_merged(names, poses, searches, clouds) for names in (first, second))
    starts = []
    for a, b in product(first, second):
        forth = searches.found.get((a, b))
        likely = forth.likely if forth else [rigid.invert(T) for T in searches.found[b, a].likely]
        starts += [poses[a] @ T_a_b @ rigid.invert(poses[b]) for T_a_b in likely]
    found = pair_search.search_pair(first[0], second[0], near, far, settings, starts)
    if found.fit is None:
        return None
    a, b = _meeting(first, second, poses, found.fit.T_a_b, searches)

    def of_pair(T_first_second: np.ndarray) -> np.ndarray:
        return rigid.invert(poses[a]) @ T_first_second @ poses[b]

    listed = [replace(pose, T_a_b=of_pair(pose.T_a_b)) for pose in found.record.alternatives]
    record = replace(found.record, segments=[a, b], sets=[[*first], [*second]], alternatives=listed)
    return (a, b), replace(found, record=record, fit=replace(found.fit, T_a_b=of_pair(found.fit.T_a_b)))


def _merged(
    names: Sequence[str], poses: Mapping[str, np.ndarray], searches: Searches, clouds: Mapping[str, CloudFile]
) -> SearchedSegment:
    """A set as one segment: as coarse as its coarsest segment, and its normals as sure as the least sure ones."""
    own = [searches.segments[name] for name in names]
    spacing_mm = max(each.spacing_mm for each in own)
    cloud = MergedCloud([clouds[name] for name in names], [poses[name] for name in names], spacing_mm)
    return SearchedSegment(cloud, all(each.sure for each in own))


def _meeting(
    first: Sequence[str],
    second: Sequence[str],
    poses: Mapping[str, np.ndarray],
    T_first_second: np.ndarray,
    searches: Searches,
) -> Pair:
    """The segments of either set that agree most in a pose, the first by name where several do."""

    def agreeing(pair: Pair) -> int:
        a, b = (searches.segments[name] for name in pair)
        T_a_b = rigid.invert(poses[pair[0]]) @ T_first_second @ poses[pair[1]]
        return pair_search.coarse_comparison(a, b, T_a_b).agreeing

    return max(product(first, second), key=agreeing)
