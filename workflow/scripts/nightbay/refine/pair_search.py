"""Searches for the relative pose of two segments by their surfaces, and decides whether it can be trusted.

Candidates come from features of two sizes (:mod:`refine.coarse_match`), from votes of what lies off large planes
(:mod:`refine.square_match`) and, beside a pose that seems right, from motions that may map the body onto itself. Each
is aligned and judged by fine cells (:mod:`refine.fine_fit`), and the contradictions of the most likely ones are
counted again in the finest. Which pose is trusted: :mod:`refine.pair_decision`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from nightbay.clouds.cloud import CloudFile
from nightbay.core import rigid
from nightbay.refine import (
    coarse_fit,
    coarse_match,
    contradiction,
    fine_fit,
    pair_decision,
    point_pairs,
    segment_size,
    square_match,
)
from nightbay.refine.coarse_match import SearchedSegment
from nightbay.refine.fine_fit import Expected, FineFit
from nightbay.refine.pair_decision import Judged
from nightbay.refine.result import CandidatePose, CoarseRegistration
from nightbay.refine.two_ways import Ways

JUDGED = 8  # poses of a pair that are judged by fine cells: those with the lowest bound of their rate of contradiction
UNLIKELY = 1.0  # bound of the rate of contradiction of a rough pose: that of true ones stays below half of that
MOTIONS = 8  # of the body onto itself that are tried
LISTED = 4  # poses of a pair that the result lists
RECOUNTED = 5  # poses, the most likely ones, whose contradictions are counted in the finest cells
HOPELESS = 4.0  # times the rate that may contradict: finer cells do not mend it


@dataclass(frozen=True)
class PairSearch:
    """Result of the search for the relative pose of two segments: the trusted ``fit``, or the ``doubt`` as a sentence.

    ``record``: its entry in the result; ``agreeing_share``: share of the smaller segment that agrees in the pose with
    the most agreement; ``ways``: the poses in which they fit, where the doubt is that there are several, else None;
    ``likely``: the poses ``T_a_b`` with the least evidence against them, trusted or not.
    """

    record: CoarseRegistration
    agreeing_share: float
    fit: coarse_fit.Fit | None
    doubt: str
    ways: Ways | None = None
    likely: Sequence[np.ndarray] = ()

    @property
    def ambiguous(self) -> bool:
        """The doubt is that they fit in several ways."""
        return self.ways is not None


@dataclass
class Searches:
    """The searches for the relative poses of a part's segments: each pair is searched once.

    ``points`` {(a, b): point pairs of the job sheet}, which take the place of the search. ``found`` {(a, b): what was
    found}; ``by_sets`` {(a, b): what was found for the sets of segments that the pair connects}; ``used`` {segment: the
    pair that placed it}; ``sure`` {segment: whether its normals show the outer side}.
    """

    points: Mapping[tuple[str, str], point_pairs.PointPairs] = field(default_factory=dict)
    found: dict[tuple[str, str], PairSearch] = field(default_factory=dict)
    by_sets: dict[tuple[str, str], PairSearch] = field(default_factory=dict)
    used: dict[str, tuple[str, str]] = field(default_factory=dict)
    segments: dict[str, SearchedSegment] = field(default_factory=dict)
    sure: dict[str, bool] = field(default_factory=dict)

    def of(self, a: str, b: str, clouds: Mapping[str, CloudFile], settings: Any) -> PairSearch:
        """What is found for two segments by name, in their order; ``settings``: the section refine."""
        if (a, b) not in self.found:
            for name in (a, b):
                if name not in self.segments:
                    self.segments[name] = SearchedSegment(clouds[name], self.sure.get(name, True))
            first, second = self.segments[a], self.segments[b]
            if (a, b) in self.points:
                self.found[a, b] = pose_by_points(self.points[a, b], first, second)
            else:
                self.found[a, b] = search_pair(a, b, first, second, settings)
        return self.found[a, b]

    def placing(self, pair: tuple[str, str]) -> PairSearch:
        """The search that gave the pose of a pair that placed a segment."""
        return self.by_sets.get(pair) or self.found[pair]

    @property
    def records(self) -> list[CoarseRegistration]:
        """What was found for each pair, in order of the names, then for sets of segments."""
        return [found[pair].record for found in (self.found, self.by_sets) for pair in sorted(found)]


def pose_by_points(points: point_pairs.PointPairs, a: SearchedSegment, b: SearchedSegment) -> PairSearch:
    """The pose of two segments by their point pairs, doubted where the surfaces do not meet in it."""
    cell_mm, clear_mm = _coarse(a, b), _clear(a, b)
    thinned = a.thinned(cell_mm), b.thinned(cell_mm)
    fit = point_pairs.rough_fit(points, *thinned, clear_mm)
    listed = [_record(fine_fit.closest(*thinned, fit), None)]
    record = CoarseRegistration(list(points.segments), _single(*points.segments), cell_mm, None, listed)
    share = fit.agreeing / 2 / max(min(len(segment.xyz_mm) for segment in thinned), 1)
    if fit.agreeing < contradiction.LEAST_AGREEING:
        return PairSearch(record, share, None,
            f"the surfaces of segments {' and '.join(points.segments)} hardly meet where their point pairs put them "
            f"({fit.agreeing} cells agree, {contradiction.LEAST_AGREEING} are needed); correct the points"
        )  # fmt: skip
    return PairSearch(record, share, fit, "")


def search_pair(
    name_a: str,
    name_b: str,
    a: SearchedSegment,
    b: SearchedSegment,
    settings: Any,
    starts: Sequence[np.ndarray] = (),
) -> PairSearch:
    """Search for the pose ``T_a_b`` of segment b in the frame of segment a; see :class:`PairSearch`.

    Where the sides of normals are not sure, they are tried as they are first, then left out. ``settings``: the section
    refine; ``starts``: poses that are tried beside those that are found.
    """
    found = _search(name_a, name_b, a, b, settings, starts)
    if found.fit is None and not found.ambiguous and not (a.sure and b.sure):
        found = _search(name_a, name_b, a.without_sides(), b.without_sides(), settings, starts)
    return found


def _search(
    name_a: str, name_b: str, a: SearchedSegment, b: SearchedSegment, settings: Any, starts: Sequence[np.ndarray]
) -> PairSearch:
    """The search by normals with sides or without, as the segments say."""
    expected = _expected(a, b, _fine(a, b), settings)
    judged: list[Judged] = []
    for cell_mm in (_coarse(a, b), _fine(a, b)):  # features of a second size where those of the first do not decide
        fits = _fits(a, b, cell_mm, expected, starts)
        judged = _ranked(a, b, [*judged, *(_judged(a, b, fit, expected) for fit in fits)])
        enough = pair_decision.enough(judged, settings)
        if enough and enough[0].fit.rate_bound <= HOPELESS * settings.trusted_contradiction_most:
            turned = _alternatives(a, b, enough[0].fit.T_a_b, expected)
            judged = _ranked(a, b, [*judged, *(_judged(a, b, fit, expected) for fit in turned)])
            judged = _ranked(a, b, [*_recounted(a, b, judged[:RECOUNTED], settings), *judged[RECOUNTED:]])
        doubt = pair_decision.doubt(judged, b.thinned(_fine(a, b)).xyz_mm, settings)
        if not doubt or doubt.startswith(pair_decision.TWO_WAYS):
            break
    enough = pair_decision.enough(judged, settings) or judged
    listed = [_record(pose.fine, pair_decision.rejected_by(pose, enough[0], settings)) for pose in enough[:LISTED]]
    record = CoarseRegistration([name_a, name_b], _single(name_a, name_b), _fine(a, b), expected.offset_mm, listed)
    likely = [pose.fit.T_a_b for pose in judged[:JUDGED]]
    share = max((pose.share for pose in judged), default=0.0)
    if doubt:
        sentence = f"segments {name_a} and {name_b} share no targets and {doubt}"
        ways = None
        if doubt.startswith(pair_decision.TWO_WAYS):
            open_ = [pose for pose in judged if pair_decision.rejected_by(pose, enough[0], settings) is None]
            ways = Ways([pose.fit.T_a_b for pose in open_], enough[0].fit.distinctive)
        return PairSearch(record, share, None, sentence, ways, likely)
    return PairSearch(record, share, enough[0].fit, "", likely=likely)


def judged_pose(a: SearchedSegment, b: SearchedSegment, T_a_b: np.ndarray, settings: Any) -> Judged:
    """What is held against a pose ``T_a_b`` by the finest cells, without alignment."""
    fine, clear_mm = (a.thinned(_fine(a, b)), b.thinned(_fine(a, b))), _clear(a, b)
    expected = _expected(a, b, _fine(a, b), settings)
    occluded = coarse_fit.self_occluded(fine[0], clear_mm), coarse_fit.self_occluded(fine[1], clear_mm)
    fit = coarse_fit.compare(*fine, T_a_b, occluded, clear_mm, expected.step_mm)
    pose = _judged(a, b, fine_fit.closest(*fine, fit), expected)
    return _recounted(a, b, [pose], settings)[0]


def coarse_comparison(a: SearchedSegment, b: SearchedSegment, T_a_b: np.ndarray) -> coarse_fit.Fit:
    """What agrees and contradicts in a pose ``T_a_b`` by coarse cells."""
    thinned, clear_mm = (a.thinned(_coarse(a, b)), b.thinned(_coarse(a, b))), _clear(a, b)
    occluded = coarse_fit.self_occluded(thinned[0], clear_mm), coarse_fit.self_occluded(thinned[1], clear_mm)
    return coarse_fit.compare(*thinned, T_a_b, occluded, clear_mm)


def _expected(a: SearchedSegment, b: SearchedSegment, cell_mm: float, settings: Any) -> Expected:
    """What cells of ``cell_mm`` are expected to show in the true pose; drift grows with the distance from a segment's
    middle."""
    drift_mm = settings.untargeted_drift_mm_per_m * np.hypot(a.width_mm, b.width_mm) / 2000  # half a width from it
    return fine_fit.expected([segment.halves(cell_mm) for segment in (a, b)], drift_mm)


def _fits(
    a: SearchedSegment, b: SearchedSegment, cell_mm: float, expected: Expected, given: Sequence[np.ndarray]
) -> list[FineFit]:
    """The poses that ``given`` ones, matches of features and votes of faces lead to, judged by fine cells; ``cell_mm``:
    cells of the features."""
    thinned = a.thinned(cell_mm), b.thinned(cell_mm)
    starts = [*given, *square_match.candidate_poses(*thinned), *coarse_match.candidate_poses(*thinned)]
    if not (a.sided and b.sided):
        starts += coarse_match.candidate_poses(thinned[0], thinned[1].turned)
    rough = coarse_fit.distinct_fits(*thinned, starts, coarse_fit.GATES, _clear(a, b))
    return _by_fine_cells(a, b, rough, expected)


def _alternatives(a: SearchedSegment, b: SearchedSegment, T_a_b: np.ndarray, expected: Expected) -> list[FineFit]:
    """Poses that a symmetry or a repetition of the body may give beside ``T_a_b``, (4, 4), judged by fine cells."""
    thinned = a.thinned(_coarse(a, b)), b.thinned(_coarse(a, b))
    body = coarse_match.merge(*thinned, T_a_b)
    motions = coarse_match.own_motions(body)[:MOTIONS]
    motions += [rigid.invert(motion) for motion in motions]
    starts = [motion @ T_a_b for motion in [*motions, *square_match.cube_turns(body)]]
    rough = coarse_fit.distinct_fits(*thinned, starts, coarse_fit.WIDE_GATES, _clear(a, b))
    return _by_fine_cells(a, b, rough, expected)


def _by_fine_cells(
    a: SearchedSegment, b: SearchedSegment, rough: list[coarse_fit.Fit], expected: Expected
) -> list[FineFit]:
    """The first of some rough poses judged by fine cells, without those that contradict far too much already."""
    fine = a.thinned(_fine(a, b)), b.thinned(_fine(a, b))
    likely = [fit for fit in rough[:JUDGED] if fit.rate_bound < UNLIKELY]
    return fine_fit.judge(*fine, likely or rough[:1], _clear(a, b), expected)


def _recounted(a: SearchedSegment, b: SearchedSegment, poses: Sequence[Judged], settings: Any) -> list[Judged]:
    """Poses with what agrees and contradicts by the finest cells, which show smaller things."""
    cell_mm = _cells(a, b)[2]
    if cell_mm == _fine(a, b):
        return list(poses)
    finest, clear_mm = (a.thinned(cell_mm), b.thinned(cell_mm)), _clear(a, b)
    occluded = coarse_fit.self_occluded(finest[0], clear_mm), coarse_fit.self_occluded(finest[1], clear_mm)
    step_mm = _expected(a, b, cell_mm, settings).step_mm
    fits = [coarse_fit.compare(*finest, pose.fit.T_a_b, occluded, clear_mm, step_mm) for pose in poses]
    return [replace(pose, fine=replace(pose.fine, fit=fit)) for pose, fit in zip(poses, fits, strict=True)]


def _ranked(a: SearchedSegment, b: SearchedSegment, poses: Sequence[Judged]) -> list[Judged]:
    """Distinct poses, those with the least evidence against them first."""
    fine_b = b.thinned(_fine(a, b))
    found: list[Judged] = []
    for pose in sorted(poses, key=lambda pose: (pose.rank, *pose.fit.T_a_b.ravel())):
        if all(coarse_fit.distinct(fine_b, pose.fit.T_a_b, other.fit.T_a_b) for other in found):
            found.append(pose)
    return found


def _clear(a: SearchedSegment, b: SearchedSegment) -> float:
    """How far in front of a surface the scanner has looked through, mm."""
    return segment_size.clear_mm(min(a.width_mm, b.width_mm), a.inside and b.inside)


def _cells(a: SearchedSegment, b: SearchedSegment) -> tuple[float, float, float]:
    """Edges of the coarse, fine and finest cells for two segments, mm."""
    return segment_size.cells_mm((a.width_mm, b.width_mm), max(a.spacing_mm, b.spacing_mm))


def _coarse(a: SearchedSegment, b: SearchedSegment) -> float:
    """Edge of the coarse cells for two segments, mm."""
    return _cells(a, b)[0]


def _fine(a: SearchedSegment, b: SearchedSegment) -> float:
    """Edge of the fine cells for two segments, mm."""
    return _cells(a, b)[1]


def _judged(a: SearchedSegment, b: SearchedSegment, fine: FineFit, expected: Expected) -> Judged:
    """A pose with what is held against it."""
    smaller = max(min(len(segment.thinned(fine.cell_mm).xyz_mm) for segment in (a, b)), 1)
    share = fine.fit.agreeing / 2 / smaller  # both segments' cells are counted
    known = 0.0 < expected.offset_mm < np.inf  # points too few for two halves to meet show no distance to expect
    distance = fine.offset_mm / expected.offset_mm if known else float("inf")
    return Judged(fine, distance, share, a.sided and b.sided, a.sure and b.sure)


def _single(*names: str) -> list[list[str]]:
    """The sets of a pair of single segments, as the result lists them."""
    return [[name] for name in names]


def _record(fine: FineFit, rejected_by: str | None) -> CandidatePose:
    """A pose as the result lists it."""
    fit = fine.fit
    return CandidatePose(
        fit.T_a_b, fit.agreeing, fit.distinctive, fit.contradicting, fine.close_share, fine.offset_mm, rejected_by
    )
