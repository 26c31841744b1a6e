"""Registers segments that share no targets by their surfaces alone, and rejects a part where that is ambiguous.

First every two segments are searched for poses in which they may fit (:mod:`refine.coarse_match`); a pose is trusted
only where every other pose contradicts the scans clearly more (:mod:`refine.coarse_fit`). Then all segments are fitted
together by their overlaps. The segment that comes first by name defines the frame.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np

from nightbay.clouds.cloud import CloudFile
from nightbay.core import rigid
from nightbay.core.errors import Rejected
from nightbay.refine import coarse_fit, coarse_match, overlap, overlap_adjustment, overlap_patches
from nightbay.refine.part import Sizes
from nightbay.refine.result import CoarseRegistration

ROUNDS = 12  # of matching at the shortest distance, at most: across creases and rounded edges a fit converges slowly
CONVERGED = 0.002  # of a disc's radius: after a smaller motion, discs hold the same points
LISTED = 4  # candidate poses of a pair that the result lists
DETERMINED = 6 - 1e-6  # directions of a rigid motion that an overlap must determine, less rounding errors


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


def start_poses(
    clouds: Mapping[str, CloudFile], known: Mapping[str, np.ndarray], sizes: Sizes, settings: Any
) -> tuple[list[np.ndarray], list[CoarseRegistration]]:
    """Start poses ``T_control_segment`` of all segments, in order, from those ``known`` {name: pose} by other means.

    ``clouds`` {name: working cloud}; ``settings``: the section refine. Returns the poses and what was found for each
    pair of segments, [] where all poses were known. Raises ``Rejected`` for a segment that cannot be registered to the
    others without ambiguity.
    """
    if len(known) == len(clouds):
        return [known[name] for name in clouds], []
    thinned = {name: coarse_match.thin(cloud, sizes.cell_mm) for name, cloud in clouds.items()}
    poses, found = connect(thinned, known, settings)
    return _fit_together(clouds, thinned, poses, known, sizes, settings), found


def _fit_together(
    clouds: Mapping[str, CloudFile],
    thinned: Mapping[str, coarse_match.ThinnedSegment],
    poses: Sequence[np.ndarray],
    known: Mapping[str, np.ndarray],
    sizes: Sizes,
    settings: Any,
) -> list[np.ndarray]:
    """Poses ``T_control_segment`` of all segments after a joint fit by the overlaps, which holds the ``known`` ones."""
    free = np.array([name not in known for name in clouds])
    drift_per_m = np.full(len(clouds), settings.untargeted_drift_mm_per_m)
    no_targets = overlap_adjustment.NormalEquations.none(len(clouds))
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
        poses = overlap_adjustment.robust_poses(pairs, poses, drift, no_targets, free, distance_mm)
        moved_mm = max(_moved_mm(*three) for three in zip(before, poses, centroids, strict=True))
        print(f"surfaces within {distance_mm:.1f} mm: poses moved by {moved_mm:.3f} mm")
        if moved_mm < CONVERGED * sizes.disc_radius_mm and distance_mm == shortest_mm:
            break
    return poses


def _check_paired(names: Sequence[str], pairs: Sequence[overlap.Pair], free: np.ndarray) -> None:
    """Refuse a part in which a segment without a known pose overlaps no other."""
    paired = {end for pair in pairs for end in (pair.a, pair.b)}
    for at in np.flatnonzero(free).tolist():
        if at not in paired:
            raise Rejected(
                f"segment {names[at]} has no targets and too little overlap: fewer than "
                f"{overlap.LEAST_CORRESPONDENCES} correspondences with each other segment; scan more overlap or put "
                "targets into it"
            )


def connect(
    thinned: Mapping[str, coarse_match.ThinnedSegment], known: Mapping[str, np.ndarray], settings: Any
) -> tuple[list[np.ndarray], list[CoarseRegistration]]:
    """Start poses ``T_control_segment`` of all segments along the best pairs, and what was found for each pair.

    Raises ``Rejected`` for a segment that no trusted pair connects, with the doubt about the pair that agrees most.
    """
    names, poses = list(thinned), dict(known)
    searches = {
        (a, b): search_pair(a, b, thinned[a], thinned[b], settings)
        for a, b in combinations(names, 2)
        if not (a in known and b in known)
    }
    while len(poses) < len(names):
        border = {pair: found for pair, found in searches.items() if (pair[0] in poses) != (pair[1] in poses)}
        fits = {pair: found.fit for pair, found in border.items() if found.fit is not None}
        if not fits:
            raise Rejected(max(border.values(), key=lambda found: found.agreeing_share).doubt)
        a, b = max(fits, key=lambda pair: fits[pair].agreeing)  # the first by name where two are equal
        if a in poses:
            poses[b] = poses[a] @ fits[a, b].T_a_b
        else:
            poses[a] = poses[b] @ rigid.invert(fits[a, b].T_a_b)
    return [poses[name] for name in names], [found.record for found in searches.values()]


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


def check_observable(names: Sequence[str], observable: np.ndarray, alone: np.ndarray) -> None:
    """Refuse a fit in which a segment without targets, ``alone`` (s,) bool, can slide along its overlaps.

    ``observable`` (6 s, 6 s): the projection on what the overlaps determine. Raises ``Rejected``.
    """
    determined = np.diag(observable).reshape(-1, 6).sum(axis=1)
    for at in np.flatnonzero(alone).tolist():
        if determined[at] < DETERMINED:
            raise Rejected(
                f"segment {names[at]} has no targets and its overlap is too featureless to fix it in all directions "
                f"({determined[at]:.1f} of 6 are determined); put targets or something uneven into the overlap"
            )


def check_distances(
    names: Sequence[str],
    pairs: Sequence[overlap.Pair],
    poses: Sequence[np.ndarray],
    alone: np.ndarray,
    sd_most_mm: float,
) -> None:
    """Refuse poses in which surfaces of segments without targets, ``alone`` (s,) bool, differ by more than
    ``sd_most_mm``, robust standard deviation. Raises ``Rejected``."""
    for pair in pairs:
        if not (alone[pair.a] or alone[pair.b]):
            continue
        d_mm, _, _ = overlap_patches.distances(pair, poses)
        _, sd_mm = overlap_patches.robust_weights(d_mm, 0.0)
        if sd_mm > sd_most_mm:
            raise Rejected(
                f"surfaces of segments {names[pair.a]} and {names[pair.b]} differ by {sd_mm:.2f} mm (robust standard "
                f"deviation) where they overlap, at most {sd_most_mm:.2f} mm is allowed "
                "(refine.registration_sd_most_mm); look for something that moved between the runs, or put targets "
                "into the overlap"
            )
