"""Searches for the relative pose of two segments by their surfaces, and decides whether it can be trusted.

Candidates come from features of two sizes (:mod:`refine.coarse_match`) and, beside a pose that seems right, from
motions that may map the body onto itself. Each is aligned and judged by fine cells (:mod:`refine.fine_fit`), by two
kinds of evidence that do not depend on the size of the overlap: how much surface contradicts, and how far apart the
surfaces lie, against what two halves of one segment show. A pose is trusted only where both kinds are as low as in a
true pose, and where every other pose is clearly worse in one of them.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from nightbay.clouds.cloud import CloudFile
from nightbay.core import rigid
from nightbay.refine import coarse_fit, coarse_match, contradiction, fine_fit, point_pairs, segment_size
from nightbay.refine.coarse_match import SearchedSegment
from nightbay.refine.fine_fit import FineFit
from nightbay.refine.result import CandidatePose, CoarseRegistration

JUDGED = 8  # poses of a pair that are judged by fine cells: those with the lowest bound of their rate of contradiction
UNLIKELY = 0.25  # bound of the rate of contradiction of a rough pose: that of true ones stays below 0.1
# Where sides of normals aren't known, nothing shows what a scanner looked through: less may be held against a pose.
UNSIDED = 0.3
UNSURE = 1.5  # times as much must contradict in another pose where sides are only likely
OTHER_SHARE = 1 / 3  # of the least overlap: other poses count with less, since the true one may overlap little
TWO_WAYS = "fit each other in two ways"
MOTIONS = 8  # of the body onto itself that are tried
LISTED = 4  # poses of a pair that the result lists
NORMAL_MEDIAN = 0.6745  # median of the absolute value of a normal variable with unit variance


@dataclass(frozen=True)
class PairSearch:
    """Result of the search for the relative pose of two segments: the trusted ``fit``, or the ``doubt`` as a sentence.

    ``record``: its entry in the result; ``agreeing_share``: share of the smaller segment that agrees in the pose with
    the most agreement; ``ambiguous``: the doubt is that they fit in two ways.
    """

    record: CoarseRegistration
    agreeing_share: float
    fit: coarse_fit.Fit | None
    doubt: str
    ambiguous: bool = False


@dataclass
class Searches:
    """The searches for the relative poses of a part's segments: each pair is searched once.

    ``points`` {(a, b): point pairs of the job sheet}, which take the place of the search. ``found`` {(a, b): what was
    found}; ``used`` {segment: the pair that placed it}; ``sure`` {segment: whether its normals show the outer side}.
    """

    points: Mapping[tuple[str, str], point_pairs.PointPairs] = field(default_factory=dict)
    found: dict[tuple[str, str], PairSearch] = field(default_factory=dict)
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

    @property
    def records(self) -> list[CoarseRegistration]:
        """What was found for each pair, in order of the names."""
        return [self.found[pair].record for pair in sorted(self.found)]


@dataclass(frozen=True)
class Judged:
    """A pose with what is held against it.

    ``least`` and ``bound``: lower and upper bound of the cells that contradict for each that agrees; ``distance``:
    median distance of the surfaces, in units of what is expected of two scans of one surface; ``share`` of the smaller
    segment that agrees; ``sided``: whether the sides of normals were used; ``sure``: whether these are known.
    """

    fine: FineFit
    least: float
    bound: float
    distance: float
    share: float
    sided: bool
    sure: bool

    @property
    def against(self) -> float:
        """Both kinds of evidence in one number, by which poses are ranked; only a distance above the expected counts,
        as its square, since a misfit adds to noise that way."""
        return self.bound * max(1.0, self.distance) ** 2


def pose_by_points(points: point_pairs.PointPairs, a: SearchedSegment, b: SearchedSegment) -> PairSearch:
    """The pose of two segments by their point pairs, doubted where the surfaces do not meet in it."""
    cell_mm, clear_mm = _coarse(a, b), _clear(a, b)
    thinned = a.thinned(cell_mm), b.thinned(cell_mm)
    fit = point_pairs.rough_fit(points, *thinned, clear_mm)
    record = CoarseRegistration(list(points.segments), cell_mm, None, [_record(fine_fit.closest(*thinned, fit), None)])
    share = fit.agreeing / 2 / max(min(len(segment.xyz_mm) for segment in thinned), 1)
    if fit.agreeing < contradiction.LEAST_AGREEING:
        return PairSearch(record, share, None,
            f"the surfaces of segments {' and '.join(points.segments)} hardly meet where their point pairs put them "
            f"({fit.agreeing} cells agree, {contradiction.LEAST_AGREEING} are needed); correct the points"
        )  # fmt: skip
    return PairSearch(record, share, fit, "")


def search_pair(name_a: str, name_b: str, a: SearchedSegment, b: SearchedSegment, settings: Any) -> PairSearch:
    """Search for the pose ``T_a_b`` of segment b in the frame of segment a; see :class:`PairSearch`.

    Where the sides of normals are not sure, they are tried as they are first, then left out. ``settings``: the section
    refine.
    """
    found = _search(name_a, name_b, a, b, settings)
    if found.fit is None and not found.ambiguous and not (a.sure and b.sure):
        found = _search(name_a, name_b, a.without_sides(), b.without_sides(), settings)
    return found


def _search(name_a: str, name_b: str, a: SearchedSegment, b: SearchedSegment, settings: Any) -> PairSearch:
    """The search by normals with sides or without, as the segments say."""
    expected_mm = expected_offset_mm(a, b, _fine(a, b), settings.untargeted_drift_mm_per_m)
    judged: list[Judged] = []
    for cell_mm in (_coarse(a, b), _fine(a, b)):  # features of a second size where those of the first do not decide
        judged = _ranked(a, b, [*judged, *(_judged(a, b, fit, expected_mm) for fit in _fits(a, b, cell_mm))])
        enough = _enough(judged, settings)
        if enough and enough[0].bound <= settings.trusted_contradiction_most:  # else symmetry is not what misleads
            turned = _alternatives(a, b, enough[0].fine.fit.T_a_b)
            judged = _ranked(a, b, [*judged, *(_judged(a, b, fit, expected_mm) for fit in turned)])
        doubt = _doubt(judged, b, settings)
        if not doubt or doubt.startswith(TWO_WAYS):
            break
    enough = _enough(judged, settings) or judged
    listed = [_record(pose.fine, _rejected_by(pose, enough[0], settings)) for pose in enough[:LISTED]]
    record = CoarseRegistration([name_a, name_b], _fine(a, b), expected_mm, listed)
    share = max((pose.share for pose in judged), default=0.0)
    if doubt:
        sentence = f"segments {name_a} and {name_b} share no targets and {doubt}"
        return PairSearch(record, share, None, sentence, doubt.startswith(TWO_WAYS))
    return PairSearch(record, share, enough[0].fine.fit, "")


def expected_offset_mm(a: SearchedSegment, b: SearchedSegment, cell_mm: float, drift_mm_per_m: float) -> float:
    """Median distance, mm, at which cells of the true pose are expected to lie from the other segment's surface.

    From two halves of each segment (noise and the coarseness of cells) and from the drift of both.
    """
    own = [fine_fit.own_offset_mm(segment.halves(cell_mm)) for segment in (a, b)]
    drift_mm = NORMAL_MEDIAN * drift_mm_per_m * np.hypot(a.width_mm, b.width_mm) / 2000  # half a width from the middle
    return float(np.sqrt(np.mean(np.square(own)) + drift_mm**2))


def _fits(a: SearchedSegment, b: SearchedSegment, cell_mm: float) -> list[FineFit]:
    """The poses that matches of features lead to, judged by fine cells; ``cell_mm``: cells of the features."""
    thinned = a.thinned(cell_mm), b.thinned(cell_mm)
    starts = coarse_match.candidate_poses(*thinned)
    if not (a.sided and b.sided):
        starts += coarse_match.candidate_poses(thinned[0], thinned[1].turned)
    rough = coarse_fit.distinct_fits(*thinned, starts, coarse_fit.GATES, _clear(a, b))
    return _by_fine_cells(a, b, rough)


def _alternatives(a: SearchedSegment, b: SearchedSegment, T_a_b: np.ndarray) -> list[FineFit]:
    """Poses that a symmetry or a repetition of the body may give beside ``T_a_b``, (4, 4), judged by fine cells."""
    thinned = a.thinned(_coarse(a, b)), b.thinned(_coarse(a, b))
    body = coarse_match.merge(*thinned, T_a_b)
    motions = coarse_match.own_motions(body)[:MOTIONS]
    motions += [rigid.invert(motion) for motion in motions]
    starts = [motion @ T_a_b for motion in [*motions, *coarse_fit.cube_turns(body)]]
    rough = coarse_fit.distinct_fits(*thinned, starts, coarse_fit.WIDE_GATES, _clear(a, b))
    return _by_fine_cells(a, b, rough)


def _by_fine_cells(a: SearchedSegment, b: SearchedSegment, rough: list[coarse_fit.Fit]) -> list[FineFit]:
    """The first of some rough poses judged by fine cells, without those that contradict far too much already."""
    fine = a.thinned(_fine(a, b)), b.thinned(_fine(a, b))
    likely = [fit for fit in rough[:JUDGED] if fit.rate_bound < UNLIKELY]
    return fine_fit.judge(*fine, likely or rough[:1], _clear(a, b))


def _ranked(a: SearchedSegment, b: SearchedSegment, poses: Sequence[Judged]) -> list[Judged]:
    """Distinct poses, those with the least evidence against them first."""
    fine_b = b.thinned(_fine(a, b))
    found: list[Judged] = []
    for pose in sorted(poses, key=lambda pose: (pose.against, *pose.fine.fit.T_a_b.ravel())):
        if all(coarse_fit.distinct(fine_b, pose.fine.fit.T_a_b, other.fine.fit.T_a_b) for other in found):
            found.append(pose)
    return found


def _clear(a: SearchedSegment, b: SearchedSegment) -> float:
    """How far in front of a surface the scanner has looked through, mm."""
    return segment_size.clear_mm(min(a.width_mm, b.width_mm), a.inside and b.inside)


def _coarse(a: SearchedSegment, b: SearchedSegment) -> float:
    """Edge of the coarse cells for two segments, mm."""
    return segment_size.cells_mm((a.width_mm, b.width_mm), max(a.spacing_mm, b.spacing_mm))[0]


def _fine(a: SearchedSegment, b: SearchedSegment) -> float:
    """Edge of the fine cells for two segments, mm."""
    return segment_size.cells_mm((a.width_mm, b.width_mm), max(a.spacing_mm, b.spacing_mm))[1]


def _judged(a: SearchedSegment, b: SearchedSegment, fine: FineFit, expected_mm: float) -> Judged:
    """A pose with what is held against it; ``expected_mm``: see :func:`expected_offset_mm`."""
    cell_mm = fine.cell_mm
    smaller = max(min(len(segment.thinned(cell_mm).xyz_mm) for segment in (a, b)), 1)
    share = fine.fit.agreeing / 2 / smaller  # both segments' cells are counted
    rates = fine.fit.rate_least, fine.fit.rate_bound
    known = 0.0 < expected_mm < np.inf  # points too few for two halves to meet show no distance to expect
    distance = fine.offset_mm / expected_mm if known else float("inf")
    return Judged(fine, *rates, distance, share, a.sided and b.sided, a.sure and b.sure)


def _enough(judged: Sequence[Judged], settings: Any) -> list[Judged]:
    """The poses in which the segments overlap enough."""
    return [pose for pose in judged if pose.share >= settings.overlap_least]


def _rejected_by(pose: Judged, best: Judged, settings: Any) -> str | None:
    """Why a pose other than the best is out of the question: "contradiction" or "distance"; None where it is not."""
    if pose is best:
        return None
    ambiguity = settings.ambiguity * (1.0 if best.sure else UNSURE)
    if pose.least >= ambiguity * best.bound:
        return "contradiction"
    if pose.distance >= settings.distance_ratio * max(1.0, best.distance):
        return "distance"
    return None


def _doubt(judged: Sequence[Judged], b: SearchedSegment, settings: Any) -> str:
    """Why the first of these poses can't be trusted, as the end of a sentence; "" where it can."""
    poses = _enough(judged, settings)
    if not poses:
        share = max((pose.share for pose in judged), default=0.0)
        return (
            f"their surfaces agree over {share:.0%} of the smaller one at best, {settings.overlap_least:.0%} are "
            "needed; scan more overlap or put targets into it"
        )
    best = poses[0]
    most = settings.trusted_contradiction_most
    if best.bound > most:
        return (
            f"their surfaces contradict each other in every pose that was found: {best.bound:.1%} of what agrees in "
            f"the best one, at most {most:.1%} is allowed (refine.trusted_contradiction_most); scan more overlap or "
            "put targets into it"
        )
    if best.distance > settings.distance_most or best.against > most * (1.0 if best.sided else UNSIDED):
        return (
            f"their surfaces do not lie on each other in any pose that was found: they lie {best.fine.offset_mm:.2f} "
            f"mm apart in the best one, {best.distance:.1f} times as far as two scans of one surface, while "
            f"{best.bound:.1%} of what agrees may contradict; at most {settings.distance_most:g} times is allowed "
            "(refine.distance_most), less where surfaces contradict; scan more overlap or put targets into it"
        )
    others = [
        pose
        for pose in judged
        if pose is not best
        and pose.share > OTHER_SHARE * settings.overlap_least
        and _rejected_by(pose, best, settings) is None
    ]
    if not others:
        return ""
    T_a_b, other_a_b = best.fine.fit.T_a_b, others[0].fine.fit.T_a_b
    motion = rigid.invert(T_a_b) @ other_a_b
    middle = b.thinned(best.fine.cell_mm).xyz_mm.mean(axis=0)
    shift_mm = float(np.linalg.norm(rigid.transform(motion, middle[None])[0] - middle))
    return (
        f"{TWO_WAYS}, {shift_mm:.0f} mm and {rigid.angle_deg(motion):.0f}° apart; put targets or "
        "something unmistakable into the overlap"
    )


def _record(fine: FineFit, rejected_by: str | None) -> CandidatePose:
    """A pose as the result lists it."""
    fit = fine.fit
    return CandidatePose(fit.T_a_b, fit.agreeing, fit.contradicting, fine.close_share, fine.offset_mm, rejected_by)
