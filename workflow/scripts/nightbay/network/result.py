"""What the stage network leaves for the stages after it and for the report."""

from dataclasses import dataclass, field
from typing import Literal

import numpy as np


@dataclass(frozen=True)
class SegmentPose:
    """The adjusted pose of a target list.

    ``T_control_segment`` (4, 4), mm; ``covariance`` (6, 6) of the small motion about the control frame's origin:
    rotation vector (rad), then translation (mm); ``centroid_sd_mm`` (3,) of the position of the list's centroid;
    ``rotation_sd_deg`` (3,) about the control frame's axes. ``listed`` entries of the list, of which ``common`` are
    seen by other lists too and passed all tests. ``residual_rms_mm``: length of their residuals beyond the list's own
    distortion, which is no measure of accuracy; ``distortion_rms_mm``: length of that distortion; ``redundancy_mean``:
    mean redundancy number, 0 to 1. ``matched_by``: what singled out the match; ``runner_up``: targets that the best
    contradicting pose explains; ``expected_false_matches``: expected number of poses that unrelated targets would
    support as well; both None for the list that holds the frame.
    """

    T_control_segment: np.ndarray
    covariance: np.ndarray
    centroid_sd_mm: np.ndarray
    rotation_sd_deg: np.ndarray
    listed: int
    common: int
    residual_rms_mm: float
    distortion_rms_mm: float
    redundancy_mean: float
    matched_by: Literal["geometry", "labels", "placed", "holds the frame"]
    runner_up: int | None
    expected_false_matches: float | None


@dataclass(frozen=True)
class AdjustedTarget:
    """A target: its number, the id that its first list gives it, ``xyz_mm`` (3,) and ``covariance_mm2`` (3, 3) in the
    control frame, the lists that take part; ``disputed``: two lists contradict each other and it is unknown which is
    right."""

    target: int
    id: str | None
    xyz_mm: np.ndarray
    covariance_mm2: np.ndarray
    seen_by: list[str]
    disputed: bool


@dataclass(frozen=True)
class Observation:
    """A target as one list measured it.

    ``row`` in the list's file, from 1; ``used``: False for a blunder. ``residual_mm`` (3,) adjusted minus observed
    beyond the list's distortion, in the list's frame; for a blunder predicted minus observed. ``w`` (3,) normalised
    residuals and ``detectable_mm`` (3,) the smallest blunder that the test finds with the set power, both None without
    redundancy; ``redundancy`` (3,) redundancy numbers, 0 to 1.
    """

    list: str
    row: int
    target: int
    used: bool
    residual_mm: np.ndarray
    w: np.ndarray | None
    redundancy: np.ndarray
    detectable_mm: np.ndarray | None


@dataclass(frozen=True)
class VarianceFactor:
    """The a posteriori variance of unit weight, and its two-sided chi-square test: ``passed`` between ``low`` and
    ``high``."""

    variance_factor: float
    low: float
    high: float
    passed: bool
    degrees_of_freedom: int
    significance: float


@dataclass(frozen=True)
class Blunder:
    """An observation that was removed: its list and row (from 1), id and target; ``size_mm`` of the blunder and
    ``sd_mm`` of one coordinate of it; ``times_limit``: size in units of the test's limit; ``in_dispute_with``: the list
    that may be the wrong one instead."""

    list: str
    row: int
    id: str | None
    target: int
    size_mm: float
    sd_mm: float
    times_limit: float
    in_dispute_with: str | None


@dataclass(frozen=True)
class DuplicatePair:
    """Two entries of the survey that may be one target.

    ``rows`` in the survey's file, from 1, and their ``ids``; ``xyz_mm`` (3,) between both in the survey's frame;
    ``path_m``: path length from one to the other, None where the list's order is no path. ``verdict``: "joined" to
    their mean, "dropped" (the second one), "kept" (two targets), "undecided" (both kept); ``evidence`` in words.
    """

    rows: list[int]
    ids: list[str | None]
    xyz_mm: np.ndarray
    distance_mm: float
    path_m: float | None
    verdict: Literal["joined", "dropped", "kept", "undecided"]
    evidence: str


@dataclass(frozen=True)
class Displacement:
    """How something moved since the survey: ``vector_mm`` (3,) in the control frame, its length, and the angle of the
    rotation, with standard deviations."""

    vector_mm: np.ndarray
    size_mm: float
    size_sd_mm: float
    angle_deg: float
    angle_sd_deg: float


@dataclass(frozen=True)
class MovedGroup:
    """Targets of a segment that did not stay rigid with the body.

    ``rows`` in the segment's list, from 1; ``targets`` their numbers; ``body_targets``: how many follow the body.
    ``group``: displacement of the group against the body, at the group's centroid; ``body``: of the body against the
    group, at the body's centroid; ``p_value``: probability of such a shift by noise and drift alone.
    """

    segment: str
    rows: list[int]
    targets: list[int]
    body_targets: int
    group: Displacement
    body: Displacement
    p_value: float


@dataclass(frozen=True)
class DriftEstimate:
    """Drift of a list with its standard error and its 95 % upper limit, mm/m, from ``count`` observations; by closures
    it is that of the control survey. ``effect_mm``: its effect on ``extent_mm``, the longest extent of the tie
    targets; ``declared_mm_per_m``: the parameter that it is compared with."""

    method: Literal["closures", "lengths against the segments"]
    drift_mm_per_m: float
    sd_mm_per_m: float
    upper_mm_per_m: float
    count: int
    extent_mm: float
    effect_mm: float
    effect_sd_mm: float
    declared_mm_per_m: float


@dataclass(frozen=True)
class ListEntry:
    """An entry of a list: ``row`` in its file, from 1."""

    list: str
    row: int


@dataclass(frozen=True)
class DetectableBlunder:
    """The smallest blunder in a coordinate that the tests find with ``power``, over the ``count`` observations in use
    that can be tested, the worst coordinate of each."""

    count: int
    median_mm: float
    p95_mm: float
    max_mm: float
    max_at: ListEntry
    significance: float
    power: float


@dataclass(frozen=True)
class PredictionError:
    """Predicted minus observed position of a withheld target, (3,) mm in the frame of the list, and its length."""

    target: int
    list: str
    error_mm: np.ndarray
    size_mm: float


@dataclass(frozen=True)
class CheckTargets:
    """Errors of targets that were withheld in turns and predicted: ``count`` of them; ``needed``: predictions that
    can't be made, since a pose is undetermined without the group; ``expected_rms_mm`` follows from the weights."""

    count: int
    needed: int
    rms_mm: float
    expected_rms_mm: float
    p95_mm: float
    max_mm: float
    errors: list[PredictionError]


@dataclass(frozen=True)
class ScaleBar:
    """A certified length between two targets, at the part's temperature, and its measured length; ``w`` their
    normalised difference, ``passed`` its test."""

    from_id: str
    to_id: str
    certified_mm: float
    certified_sd_mm: float
    measured_mm: float
    measured_sd_mm: float
    difference_mm: float
    w: float
    passed: bool


@dataclass(frozen=True)
class ScaleFromBars:
    """The factor by which lengths agree with the scale bars, and its standard deviation."""

    factor: float
    sd: float


@dataclass(frozen=True)
class ScaleFromTemperature:
    """The factor that reduces lengths to 20 degrees Celsius (ISO 1), its standard uncertainty, and the temperature
    and material that it follows from."""

    factor: float
    sd: float
    temperature_c: float
    material: str


@dataclass(frozen=True)
class Scale:
    """What the scanner's lengths are multiplied by, in poses and targets here and in every cloud after this stage;
    residuals and scale bars are as measured. ``sd`` is None where nothing is ``applied``."""

    factor: float
    sd: float | None
    applied: list[Literal["scale bars", "temperature"]]
    bars: ScaleFromBars | None
    temperature: ScaleFromTemperature | None


@dataclass(frozen=True)
class NetworkResult:
    """The adjusted network of a part's target lists.

    ``mode``: "control" where a control survey holds the frame, "free" where a segment does, "none" where no targets tie
    the segments together; ``mode_reason`` in words. ``frame_of``: the list whose frame is the control frame. ``poses``
    {segment: pose} is None without a network and lacks the segments ``without_targets`` and those that are
    ``set_aside``, {segment: reason}, because their lists do not suffice. ``covariance_scaled_by``: the factor in all
    covariances, the variance factor where it is above its upper limit, else 1. ``precision_rms_mm``: RMS standard
    deviation of tie targets from the adjustment, three coordinates together.

    Without a network ``targets``, ``observations`` and the other lists are empty, and ``frame_of``,
    ``covariance_scaled_by`` and the results of tests are None.
    """

    mode: Literal["control", "free", "none"]
    mode_reason: str
    poses: dict[str, SegmentPose] | None
    without_targets: list[str]
    scale_bars: list[ScaleBar]
    scale: Scale
    frame_of: str | None = None
    targets: list[AdjustedTarget] = field(default_factory=list)
    observations: list[Observation] = field(default_factory=list)
    variance_factor: VarianceFactor | None = None
    covariance_scaled_by: float | None = None
    blunders: list[Blunder] = field(default_factory=list)
    duplicate_targets: list[DuplicatePair] = field(default_factory=list)
    moved_groups: list[MovedGroup] = field(default_factory=list)
    drift: list[DriftEstimate] = field(default_factory=list)
    detectable_blunder: DetectableBlunder | None = None
    check_targets: CheckTargets | None = None
    precision_rms_mm: float | None = None
    set_aside: dict[str, str] = field(default_factory=dict)
