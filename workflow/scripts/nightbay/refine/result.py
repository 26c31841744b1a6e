"""Result of the stage refine: the final poses of a part's segments, and how they were tested."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from nightbay.network.result import Scale

# Certainty of estimated normals from which on their sides are used like those of measured ones. On simulated scans of
# known sides, those above had at most a few per cent of their normals turned over, those below up to a half.
SURE_SIDES = 0.95
CONTRADICTS = "its surfaces contradict its targets"  # begins the reason of a target pose that surfaces speak against


@dataclass(frozen=True)
class Withheld:
    """How well withheld values were predicted: ``count`` of them, with and without a segment's own motion.

    ``rms_before_mm`` in the target pose, ``rms_after_mm`` in the refined pose; ``gain_mm2``: decrease of the mean
    square by the motion, with its standard error ``gain_se_mm2``.
    """

    count: int
    rms_before_mm: float
    rms_after_mm: float
    gain_mm2: float
    gain_se_mm2: float


@dataclass(frozen=True)
class WeakDirection:
    """A small motion of a segment that its overlaps do not determine: targets alone fix it.

    ``rotation_rad`` (3,) about ``at_mm`` (3,) and ``translation_mm`` (3,), control frame, for a unit of the motion.
    """

    at_mm: np.ndarray
    rotation_rad: np.ndarray
    translation_mm: np.ndarray


@dataclass(frozen=True)
class LooseDirection:
    """A small motion that an overlap does not determine: ``kind`` "shift" along or "turn" about the ``axis``, (3,) unit
    vector through ``at_mm`` (3,), control frame; ``words`` for it.

    ``sd``: its standard uncertainty where point pairs determine it, mm of a shift and deg of a turn, else None.
    """

    kind: Literal["shift", "turn"]
    axis: np.ndarray
    at_mm: np.ndarray
    words: str
    sd: float | None


@dataclass(frozen=True)
class LooseOverlap:
    """The overlap of ``segments``, which move as one, with ``relative_to``: the ``directions`` that it leaves loose.

    ``fixed_by``: "point pairs" where these determine the directions, None where nothing does. ``segment_mm`` (n, 3):
    some points of the largest of the segments, ``overlap_mm`` (m, 3): some of the overlap; both in the control frame.
    """

    segments: list[str]
    relative_to: list[str]
    directions: list[LooseDirection]
    fixed_by: Literal["point pairs"] | None
    segment_mm: np.ndarray
    overlap_mm: np.ndarray


@dataclass(frozen=True)
class UnplacedSegment:
    """A segment that could not be placed and was left out, and why, as a sentence."""

    segment: str
    reason: str


@dataclass(frozen=True)
class Alternative:
    """What shows that another pose of two segments is wrong: its surfaces contradict each other at least ``times`` as
    often as those of the trusted pose may, lie ``times`` as far apart, or have ``times`` fewer cells off large planes
    that agree: by "contradiction", "distance" or "agreement"."""

    by: Literal["contradiction", "distance", "agreement"]
    times: float


@dataclass(frozen=True)
class SurfaceRegistration:
    """How sure the pose of a segment without targets is.

    ``relative_to``: the segment or the control survey that holds the frame; ``position_sd_mm`` and ``rotation_sd_deg``:
    largest standard uncertainties in any direction, of the segment's middle and of its rotation. ``patches`` of its
    overlaps, each withheld from the fit once, agree to ``withheld_rms_mm``. ``alternative``: the closest other pose of
    the ``pair`` that placed it, None where no other was found or point pairs placed it; ``point_pairs``: how many did.
    """

    segment: str
    relative_to: str
    position_sd_mm: float
    rotation_sd_deg: float
    patches: int
    withheld_rms_mm: float
    pair: list[str]
    alternative: Alternative | None
    point_pairs: int


@dataclass(frozen=True)
class RefinedPose:
    """The final pose of a segment.

    ``T_control_segment`` (4, 4) mm; ``covariance`` (6, 6) of the small motion about the control frame's origin
    (rotation vector rad, translation mm); ``pose_from``: "refined" (targets and overlaps), "targets" (as the network
    left it), "surfaces" (no targets), "point pairs" (no targets; they determine what surfaces leave loose) or "frame"
    (holds the control frame); ``reason`` why it is not refined, None where it is. ``shift_mm`` of the segment's middle
    and ``rotation_deg`` count from the start pose. ``withheld_overlaps`` and ``withheld_targets`` are None where
    nothing was tested; ``squared_mahalanobis``: the motion against the covariance of the targets, chi-squared with six
    degrees of freedom.
    """

    T_control_segment: np.ndarray
    covariance: np.ndarray
    pose_from: str
    reason: str | None
    shift_mm: float
    rotation_deg: float
    withheld_overlaps: Withheld | None
    withheld_targets: Withheld | None
    squared_mahalanobis: float | None
    weak_directions: list[WeakDirection]


@dataclass(frozen=True)
class DistanceSummary:
    """Distances of a pair's correspondences along the normal, mm.

    ``median_se_mm``: standard error of the median, which counts patches and not points; ``rms_mm`` leaves out the share
    ``outlier_share`` that lies beyond Tukey's bound.
    """

    count: int
    median_mm: float
    median_se_mm: float
    robust_sd_mm: float
    rms_mm: float
    outlier_share: float


@dataclass(frozen=True)
class Discrepancy:
    """How far two overlapping segments differ; distances are positive where the second lies outside the first.

    ``overlap_share``: share of the first segment's points that lie on surface of the second; ``patches``: how many the
    overlap has; ``before`` and ``after``: in the start poses and the final poses; ``withheld_rms_before_mm`` and
    ``withheld_rms_after_mm``: of the patches, each in the pose of a fit that did not use it.
    """

    segments: list[str]
    overlap_share: float
    patches: int
    before: DistanceSummary
    after: DistanceSummary
    withheld_rms_before_mm: float
    withheld_rms_after_mm: float


@dataclass(frozen=True)
class CandidatePose:
    """A pose ``T_a_b`` (4, 4) in which two segments may fit, by cells of both that agree, those distinctive ones among
    them that lie off the large planes, and those that contradict.

    ``close_share`` of the cells near the other segment lie on its surface; ``offset_mm``: median distance of cells from
    it. ``rejected_by``: what shows that a pose other than the trusted one is wrong, see :class:`Alternative`; None
    for the trusted pose and where nothing does.
    """

    T_a_b: np.ndarray
    agreeing_cells: int
    distinctive_cells: int
    contradicting_cells: int
    close_share: float
    offset_mm: float
    rejected_by: str | None


@dataclass(frozen=True)
class CoarseRegistration:
    """Poses that the surfaces of two segments allow, the best first; ``cell_mm``: edge of their cells.

    ``sets``: the segments whose surfaces were searched together on either side, in poses that were known before: those
    of the pair alone, or sets of connected segments that the pair connects.
    ``expected_offset_mm``: median distance of cells that two scans of one surface have; None where point pairs of the
    job sheet gave the pose.
    """

    segments: list[str]
    sets: list[list[str]]
    cell_mm: float
    expected_offset_mm: float | None
    alternatives: list[CandidatePose]


@dataclass(frozen=True)
class PairAgreement:
    """Cells of two segments that agree and that contradict each other in their final poses."""

    segments: list[str]
    agreeing_cells: int
    contradicting_cells: int


@dataclass(frozen=True)
class DoubtedSegment:
    """A segment that contradicts the others: cells over all pairs that it was compared in."""

    segment: str
    agreeing_cells: int
    contradicting_cells: int


@dataclass(frozen=True)
class Contradictions:
    """Whether the segments agree in their final poses; ``cell_mm``: edge of the cells that are counted.

    ``doubted``: the worst first, each compared with those after it; ``isolated``: names of segments whose surface meets
    no other segment's.
    """

    cell_mm: float
    pairs: list[PairAgreement]
    doubted: list[DoubtedSegment]
    isolated: list[str]


@dataclass(frozen=True)
class TurnedNormals:
    """What other segments showed of the outer side of a segment with estimated normals.

    ``observed_share``: share of its surface that other segments show; ``turned``: number of points whose normal is
    turned, which ``<segment>.turned.npy`` in the stage's folder marks, (n,) bool.
    """

    observed_share: float
    turned: int


@dataclass(frozen=True)
class RefineResult:
    """The numbers of the stage refine.

    ``frame_of``: what holds the control frame, the control survey or a segment; ``disc_radius_mm`` of the discs that
    are compared; ``search_distance_mm``: how far apart two surfaces may be to be compared; ``variance_factor`` of the
    overlaps, by which their covariance is scaled, at least 1; ``overlap_weight`` of all overlaps against the targets
    (both None without overlaps); ``coarse_registration`` of each pair that was registered without targets; ``scale``:
    what lengths are multiplied by; ``normal_orientation`` {segment: what was found of its estimated normals}; ``poses``
    {segment: pose} of all but the ``unplaced`` segments; ``loose``: overlaps that leave directions loose, of unplaced
    segments and of those that point pairs hold; ``by_surfaces``: how sure each pose without targets is.
    """

    frame_of: str
    disc_radius_mm: float
    search_distance_mm: float
    variance_factor: float | None
    overlap_weight: float | None
    coarse_registration: list[CoarseRegistration]
    scale: Scale
    contradiction: Contradictions
    normal_orientation: dict[str, TurnedNormals]
    poses: dict[str, RefinedPose]
    discrepancies: list[Discrepancy]
    unplaced: list[UnplacedSegment]
    loose: list[LooseOverlap]
    by_surfaces: list[SurfaceRegistration]
