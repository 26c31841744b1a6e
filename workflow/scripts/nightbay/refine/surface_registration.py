"""Registers segments that share no targets by their surfaces alone, and rejects a part where that is ambiguous.

First every two segments are searched for poses in which they may fit (:mod:`refine.coarse_match`); a pose is trusted
only where every other pose contradicts the scans clearly more (:mod:`refine.coarse_fit`). Then all segments are fitted
together by their overlaps. The segment that comes first by name defines the frame. Where the job sheet has point pairs
of two segments, these give their pose instead of the search.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from typing import Any

import numpy as np

from nightbay.clouds.cloud import CloudFile
from nightbay.core import rigid
from nightbay.core.errors import Unplaced
from nightbay.refine import (
    coarse_fit,
    coarse_match,
    contradiction,
    overlap,
    overlap_adjustment,
    overlap_patches,
    pair_graph,
    point_pairs,
)
from nightbay.refine.part import Part, Sizes
from nightbay.refine.result import CoarseRegistration

ROUNDS = 12  # of matching at the shortest distance, at most: across creases and rounded edges a fit converges slowly
CONVERGED = 0.002  # of a disc's radius: after a smaller motion, discs hold the same points
LISTED = 4  # candidate poses of a pair that the result lists


@dataclass(frozen=True)
class PairSearch:
    """Result of the search for the relative pose of two segments: the trusted ``fit``, or the ``doubt`` as a sentence.

    ``record``: its entry in the result; ``agreeing_share``: share of the smaller segment that agrees in the pose with
    the most agreement.
    """

    record: CoarseRegistration
    agreeing_share: float
    fit: coarse_fit.Fit | None
    doubt: str


@dataclass
class Searches:
    """The searches for the relative poses of a part's segments: each pair is searched once for cells of a size.

    ``points`` {(a, b): point pairs of the job sheet}, which take the place of the search. ``found`` {(a, b, edge of a
    cell): what was found}; ``used`` {segment: the pair that placed it}.
    """

    points: Mapping[tuple[str, str], point_pairs.PointPairs] = field(default_factory=dict)
    found: dict[tuple[str, str, float], PairSearch] = field(default_factory=dict)
    used: dict[str, tuple[str, str]] = field(default_factory=dict)

    def of(self, a: str, b: str, thinned: Mapping[str, coarse_match.ThinnedSegment], settings: Any) -> PairSearch:
        """What is found for two segments by name, in their order."""
        key = a, b, thinned[a].cell_mm
        if key not in self.found:
            if (a, b) in self.points:
                self.found[key] = pose_by_points(self.points[a, b], thinned[a], thinned[b])
            else:
                self.found[key] = search_pair(a, b, thinned[a], thinned[b], settings)
        return self.found[key]

    def latest(self, a: str, b: str) -> PairSearch:
        """The last search of two segments, in order of their names. KeyError where there was none."""
        return [search for (*pair, _), search in self.found.items() if pair == [a, b]][-1]

    @property
    def records(self) -> list[CoarseRegistration]:
        """What was found for each pair, in order of the names; of cells of two sizes the later search."""
        latest = {(a, b): search.record for (a, b, _), search in self.found.items()}
        return [latest[pair] for pair in sorted(latest)]


def pose_by_points(
    points: point_pairs.PointPairs, a: coarse_match.ThinnedSegment, b: coarse_match.ThinnedSegment
) -> PairSearch:
    """The pose of two segments by their point pairs, doubted where the surfaces do not meet in it."""
    fit = point_pairs.rough_fit(points, a, b)
    record = CoarseRegistration(list(points.segments), a.cell_mm, [fit.record])
    share = fit.agreeing / 2 / max(min(len(a.xyz_mm), len(b.xyz_mm)), 1)
    if fit.agreeing < contradiction.LEAST_AGREEING:
        return PairSearch(record, share, None,
            f"the surfaces of segments {' and '.join(points.segments)} hardly meet where their point pairs put them "
            f"({fit.agreeing} cells agree, {contradiction.LEAST_AGREEING} are needed); correct the points"
        )  # fmt: skip
    return PairSearch(record, share, fit, "")


def start_poses(
    clouds: Mapping[str, CloudFile],
    known: Mapping[str, np.ndarray],
    sizes: Sizes,
    settings: Any,
    searches: Searches | None = None,
) -> tuple[list[np.ndarray], list[CoarseRegistration]]:
    """Start poses ``T_control_segment`` of all segments, in order, from those ``known`` {name: pose} by other means.

    ``clouds`` {name: working cloud}; ``settings``: the section refine; ``searches``: where those that were made before
    are kept. Returns the poses and what was found for each pair of segments, [] where all poses were known. Raises
    ``Unplaced`` for segments that cannot be registered to the others without ambiguity.
    """
    if len(known) == len(clouds):
        return [known[name] for name in clouds], []
    searches = searches or Searches()
    thinned = {name: coarse_match.thin(cloud, sizes.cell_mm) for name, cloud in clouds.items()}
    poses, found = connect(thinned, known, settings, searches, {name: len(cloud) for name, cloud in clouds.items()})
    points = [*searches.points.values()]
    return _fit_together(clouds, thinned, poses, known, sizes, settings, points), found


def _fit_together(
    clouds: Mapping[str, CloudFile],
    thinned: Mapping[str, coarse_match.ThinnedSegment],
    poses: Sequence[np.ndarray],
    known: Mapping[str, np.ndarray],
    sizes: Sizes,
    settings: Any,
    points: Sequence[point_pairs.PointPairs],
) -> list[np.ndarray]:
    """Poses ``T_control_segment`` of all segments after a joint fit by overlaps and point pairs, which holds the
    ``known`` ones."""
    free = np.array([name not in known for name in clouds])
    drift_per_m = np.full(len(clouds), settings.untargeted_drift_mm_per_m)
    poses, shortest_mm = list(poses), sizes.disc_radius_mm / 2
    for distance_mm in (sizes.cell_mm, sizes.cell_mm / 2, *[shortest_mm] * ROUNDS):
        centroids = np.array(
            [
                rigid.transform(T, thinned[name].xyz_mm if len(thinned[name].xyz_mm) else cloud.origin_mm[None]).mean(
                    axis=0
                )
                for T, (name, cloud) in zip(poses, clouds.items(), strict=True)
            ]
        )
        drift = overlap_patches.DriftModel(drift_per_m, settings.drift_length_mm, settings.patch_mm, centroids)
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
    thinned: Mapping[str, coarse_match.ThinnedSegment],
    known: Mapping[str, np.ndarray],
    settings: Any,
    searches: Searches,
    size: Mapping[str, int],
) -> tuple[list[np.ndarray], list[CoarseRegistration]]:
    """Start poses ``T_control_segment`` of all segments along the best pairs, and what was found for each pair.

    Raises ``Unplaced`` for the segments outside the largest set that trusted pairs and known poses connect, each with
    the doubt about the pair to another set that agrees most. Of sets with equally many segments the one with more
    points counts as the largest; ``size`` {segment: points}.
    """
    names, poses = list(thinned), dict(known)
    searches.used.clear()
    found = {
        (a, b): searches.of(a, b, thinned, settings)
        for a, b in combinations(names, 2)
        if not (a in known and b in known)
    }
    fits = {pair: search.fit for pair, search in found.items() if search.fit is not None}
    sets = pair_graph.connected_sets(names, [*fits, *combinations(known, 2)])
    main = pair_graph.largest(sets, size)
    if len(sets) > 1:
        raise Unplaced(
            {name: reason for own in sets if own is not main for name, reason in _doubts(own, found).items()}
        )
    while len(poses) < len(names):
        border = {pair: fit for pair, fit in fits.items() if (pair[0] in poses) != (pair[1] in poses)}
        a, b = max(border, key=lambda pair: border[pair].agreeing)  # the first by name where two are equal
        if a in poses:
            poses[b], searches.used[b] = poses[a] @ border[a, b].T_a_b, (a, b)
        else:
            poses[a], searches.used[a] = poses[b] @ rigid.invert(border[a, b].T_a_b), (a, b)
    return [poses[name] for name in names], [search.record for search in found.values()]


def _doubts(own: Sequence[str], found: Mapping[tuple[str, str], PairSearch]) -> dict[str, str]:
    """Why the segments of a set are not connected to the others, {segment: sentence}."""
    border = [search for pair, search in found.items() if (pair[0] in own) != (pair[1] in own)]
    return dict.fromkeys(own, max(border, key=lambda search: search.agreeing_share).doubt)


def search_pair(
    name_a: str, name_b: str, a: coarse_match.ThinnedSegment, b: coarse_match.ThinnedSegment, settings: Any
) -> PairSearch:
    """Search for the pose ``T_a_b`` of segment b in the frame of segment a; see :class:`PairSearch`."""
    smaller = min(len(a.xyz_mm), len(b.xyz_mm))
    least = 2 * settings.overlap_least * smaller  # both segments' cells are counted
    every = coarse_fit.distinct_fits(a, b, coarse_match.candidate_poses(a, b))
    fits = [fit for fit in every if fit.agreeing >= least]
    share = max((fit.agreeing for fit in every), default=0) / 2 / max(smaller, 1)
    record = CoarseRegistration([name_a, name_b], a.cell_mm, [fit.record for fit in fits[:LISTED]])
    if not fits:
        return PairSearch(record, share, None,
            f"segments {name_a} and {name_b} share no targets and their surfaces agree over {share:.0%} of the "
            f"smaller one at best, {settings.overlap_least:.0%} are needed; scan more overlap or put targets into it"
        )  # fmt: skip
    if len(fits) > 1 and fits[1].rate < settings.ambiguity * fits[0].rate_bound:
        motion = rigid.invert(fits[0].T_a_b) @ fits[1].T_a_b
        centroid = b.xyz_mm.mean(axis=0)
        shift_mm = float(np.linalg.norm(rigid.transform(motion, centroid[None])[0] - centroid))
        return PairSearch(record, share, None,
            f"segments {name_a} and {name_b} share no targets and fit each other in two ways, {shift_mm:.0f} mm and "
            f"{rigid.angle_deg(motion):.0f}° apart; put targets or something unmistakable into the overlap"
        )  # fmt: skip
    return PairSearch(record, share, fits[0], "")


def _moved_mm(T_old: np.ndarray, T_new: np.ndarray, point_mm: np.ndarray) -> float:
    """Distance, mm, that a change of pose moves a point of the segment; ``point_mm`` (3,) control frame, before it."""
    in_segment = rigid.invert(T_old) @ np.append(point_mm, 1.0)
    return float(np.linalg.norm((T_new @ in_segment)[:3] - point_mm))


def check_distances(part: Part, pairs: Sequence[overlap.Pair], poses: Sequence[np.ndarray], sd_most_mm: float) -> None:
    """Refuse poses in which surfaces of segments without targets differ from others by more than ``sd_most_mm``, robust
    standard deviation.

    Raises ``Unplaced`` for the segment without targets that does so in most pairs, of several for that with the fewest
    points.
    """
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
