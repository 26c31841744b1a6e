"""Registers segments that share no targets by their surfaces alone, and rejects a part where that is ambiguous.

First every two segments are searched for the pose in which they fit (:mod:`refine.pair_search`), then sets of segments
that these poses leave apart (:mod:`refine.segment_sets`). Then all segments are fitted together by their overlaps. The
segment that comes first by name defines the frame. Where the job sheet has point pairs of two segments, these give
their pose instead of the search.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import combinations
from typing import Any

import numpy as np

from nightbay.clouds.cloud import CloudFile
from nightbay.core import rigid
from nightbay.core.errors import Unplaced
from nightbay.refine import (
    loop_closure,
    overlap,
    overlap_adjustment,
    overlap_patches,
    pair_graph,
    point_pairs,
    segment_sets,
    two_ways,
)
from nightbay.refine.pair_search import PairSearch, Searches
from nightbay.refine.part import Part, Sizes, centroid_mm

ROUNDS = 12  # of matching at the shortest distance, at most: across creases and rounded edges a fit converges slowly
CONVERGED = 0.002  # of a disc's radius: after a smaller motion, discs hold the same points


def fit_together(
    clouds: Mapping[str, CloudFile],
    poses: Sequence[np.ndarray],
    known: Mapping[str, np.ndarray],
    sizes: Sizes,
    settings: Any,
    points: Sequence[point_pairs.PointPairs],
) -> list[np.ndarray]:
    """Poses ``T_control_segment`` of all segments after a joint fit by overlaps and point pairs, from start ``poses``.

    The ``known`` ones are held. ``clouds`` {name: working cloud}; ``settings``: the section refine. Raises ``Unplaced``
    for segments that overlap no other.
    """
    free = np.array([name not in known for name in clouds])
    drift_per_m = np.full(len(clouds), settings.untargeted_drift_mm_per_m)
    poses, shortest_mm = list(poses), sizes.disc_radius_mm / 2
    # A search leaves less than its fine cells; points are picked by hand, and surfaces show how far these are off.
    first_mm = [sizes.cell_mm, sizes.cell_mm / 2] if points else [2 * shortest_mm]
    for distance_mm in (*first_mm, *[shortest_mm] * ROUNDS):
        centroids = np.array([centroid_mm(cloud, T) for cloud, T in zip(clouds.values(), poses, strict=True)])
        drift = overlap_patches.DriftModel(drift_per_m, settings.drift_length_mm, sizes.patch_mm, centroids)
        search = overlap.Search(sizes.disc_radius_mm, distance_mm, settings.correspondences)
        pairs = overlap.pairs(list(clouds.values()), poses, search)
        _check_paired(list(clouds), pairs, free)
        before = poses
        by_points = point_pairs.normal_equations(points, list(clouds), poses, drift.centre_mm)
        poses = overlap_adjustment.robust_poses(pairs, poses, drift, by_points, free, distance_mm)
        moved_mm = max(_moved_mm(*three) for three in zip(before, poses, centroids, strict=True))
        print(f"surfaces within {distance_mm:.1f} mm: poses moved by {moved_mm:.3f} mm")
        if moved_mm < CONVERGED * sizes.disc_radius_mm and distance_mm == shortest_mm:
            break
    return poses


def _check_paired(names: Sequence[str], pairs: Sequence[overlap.Pair], free: np.ndarray) -> None:
    """Refuse segments without a known pose that overlap no other. Raises ``Unplaced``."""
    paired = {end for pair in pairs for end in (pair.a, pair.b)}
    unpaired = [names[at] for at in np.flatnonzero(free).tolist() if at not in paired]
    reasons = {
        name: f"segment {name} has no targets and too little overlap: fewer than {overlap.LEAST_CORRESPONDENCES} "
        "correspondences with each other segment; scan more overlap or put targets into it"
        for name in unpaired
    }
    if reasons:
        raise Unplaced(reasons)


def connect(
    clouds: Mapping[str, CloudFile], known: Mapping[str, np.ndarray], settings: Any, searches: Searches
) -> list[np.ndarray]:
    """Start poses ``T_control_segment`` of all segments along the best pairs, of single segments or of sets of them.

    Raises ``Unplaced`` for the segments outside the largest set that trusted pairs and known poses connect, each with
    the doubt about the pair to another set that agrees most. Of sets with equally many segments the one with more
    points counts as the largest.
    """
    names = list(clouds)
    searches.used.clear()
    searches.by_sets.clear()
    found = {
        (a, b): searches.of(a, b, clouds, settings)
        for a, b in combinations(names, 2)
        if not (a in known and b in known)
    }
    fits = {pair: search.fit for pair, search in found.items() if search.fit is not None}
    for pair, reason in segment_sets.contradicted(names, fits, known, searches, clouds, settings).items():
        del fits[pair]
        found[pair] = replace(found[pair], fit=None, doubt=reason)
    tried: set[tuple[segment_sets.Set, segment_sets.Set]] = set()
    while len(sets := pair_graph.connected_sets(names, [*fits, *combinations(known, 2)])) > 1:
        in_set = {name: T for own in sets for name, T in pair_graph.along_best_pairs(own, fits, known)[0].items()}
        joined = segment_sets.search(sets, in_set, searches, clouds, settings, tried)
        if joined is None:
            main = pair_graph.largest(sets, {name: len(cloud) for name, cloud in clouds.items()})
            raise Unplaced(
                {name: reason for own in sets if own is not main for name, reason in _doubts(own, found).items()}
            )
        pair, search = joined
        searches.by_sets[pair] = search
        assert search.fit is not None  # a trusted one
        fits[pair] = search.fit
    poses, used = pair_graph.along_best_pairs(names, fits, known)
    searches.used.update(used)
    confirmed = loop_closure.check(fits, known, searches.segments)
    ways = {pair: search.ways for pair, search in found.items() if search.ways is not None}
    two_ways.check(ways, fits, searches.used, poses, confirmed, searches.segments)
    return [poses[name] for name in names]


def _doubts(own: Sequence[str], found: Mapping[tuple[str, str], PairSearch]) -> dict[str, str]:
    """Why the segments of a set are not connected to the others, {segment: sentence}."""
    border = [search for pair, search in found.items() if (pair[0] in own) != (pair[1] in own)]
    return dict.fromkeys(own, max(border, key=lambda search: search.agreeing_share).doubt)


def _moved_mm(T_old: np.ndarray, T_new: np.ndarray, point_mm: np.ndarray) -> float:
    """Distance, mm, that a change of pose moves a point of the segment; ``point_mm`` (3,) control frame, before it."""
    in_segment = rigid.invert(T_old) @ np.append(point_mm, 1.0)
    return float(np.linalg.norm((T_new @ in_segment)[:3] - point_mm))


def check_distances(part: Part, pairs: Sequence[overlap.Pair], poses: Sequence[np.ndarray]) -> None:
    """Refuse poses in which surfaces of segments without targets differ from others by more than the part's
    ``registration_sd_most_mm``, robust standard deviation.

    Raises ``Unplaced`` for the segment without targets that does so in most pairs, of several for that with the fewest
    points.
    """
    sd_most_mm = part.sizes.registration_sd_most_mm
    differing: dict[int, list[str]] = {}
    for pair in pairs:
        d_mm, _, _ = overlap_patches.distances(pair, poses)
        _, sd_mm = overlap_patches.robust_weights(d_mm, 0.0)
        for end in (pair.a, pair.b):
            if sd_mm > sd_most_mm and not part.has_targets[end]:
                differing.setdefault(end, []).append(
                    f"surfaces of segments {part.names[pair.a]} and {part.names[pair.b]} differ by {sd_mm:.2f} mm "
                    f"(robust standard deviation) where they overlap, at most {sd_most_mm:.2f} mm is allowed "
                    "(refine.registration_sd_most_mm); look for something that moved between the runs, or put targets "
                    "into the overlap"
                )
    if differing:
        worst = max(differing, key=lambda end: (len(differing[end]), -len(part.clouds[end]), end))
        raise Unplaced({part.names[worst]: differing[worst][0]})
