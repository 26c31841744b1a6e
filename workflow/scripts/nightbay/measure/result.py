"""The numbers in the JSON of the stage measure: dimensions with uncertainties, sections, left against right.

All positions are in the vehicle frame, (3,) mm.
"""

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from nightbay.features.result import At20C, FeaturesResult
from nightbay.refine.result import Scale

COVERAGE = 2  # k: about 95 % of the cases where the causes are many and similar in size


@dataclass(frozen=True)
class TouchPoints:
    """Where the planes touch at the ``high`` and the ``low`` end of a dimension, (3,) each; None where none does."""

    high: np.ndarray | None
    low: np.ndarray | None


@dataclass(frozen=True)
class UnscannedEnd:
    """An end of a dimension that lies in an opening of what was scanned: which ``end`` along the axis ("high", "low");
    ``beyond_mm``, how far the surface reaches beyond the plane when it is extrapolated across the opening, an estimate;
    ``point_mm`` (3,), about where."""

    end: str
    beyond_mm: float
    point_mm: np.ndarray


@dataclass(frozen=True)
class PoorEnd:
    """An end of a dimension on surface that the scanner measured poorly, as dark or glossy trim is: ``point_mm`` (3,);
    ``scatter`` of its points and their ``count``, as multiples of what is usual on the body and around; ``by``: which
    of "scatter" and "count" is beyond what :mod:`nightbay.measure.poor_ends` allows, both in this order."""

    point_mm: np.ndarray
    scatter: float
    count: float
    by: list[str]


@dataclass(frozen=True)
class Tolerance:
    """Least and greatest deviation from a nominal value that is allowed, in its unit; None without a limit."""

    lower: float | None
    upper: float | None


@dataclass(frozen=True)
class Dimension:
    """A dimension of a part.

    ``meaning`` in words; ``value_mm``; ``at_20_c``, None where the body's temperature or material is not known or where
    all lengths are at 20 degrees already; ``uncertainty_mm``, expanded: ``coverage`` times the root of the sum of
    squares of ``budget_mm``, the standard uncertainties by cause, None for a cause of unknown size; ``unknown``:
    those causes, which are not in the sum; ``points_mm``; ``unscanned_ends``: with any of them the dimension may be
    larger. With a nominal value: ``nominal_mm``, ``difference_mm`` (value less nominal) and whether it is
    ``significant``, beyond the uncertainty, None where an unscanned end leaves that open. Of the wheelbase alone:
    ``axles_mm``, the distances of neighbouring axles from the front, and the wheelbase of each side, ``left_mm`` and
    ``right_mm``, None where a wheel is missing. ``at_most``: the dimension may be smaller, because something was not
    seen; ``poor_ends``; with a ``tolerance``, deviations from the nominal value, the ``verdict`` of
    :mod:`nightbay.core.conformity`.
    """

    meaning: str
    value_mm: float
    at_20_c: At20C | None
    uncertainty_mm: float
    coverage: float
    budget_mm: dict[str, float | None]
    unknown: list[str]
    points_mm: TouchPoints
    unscanned_ends: list[UnscannedEnd]
    nominal_mm: float | None = None
    difference_mm: float | None = None
    significant: bool | None = None
    axles_mm: list[float] | None = None
    left_mm: float | None = None
    right_mm: float | None = None
    at_most: bool = False
    poor_ends: list[PoorEnd] = field(default_factory=list)
    tolerance: Tolerance | None = None
    verdict: str | None = None


@dataclass(frozen=True)
class Angle:
    """An angle of a part, as :class:`Dimension` but in degrees.

    ``body_mm`` (3,): where the limiting plane touches the body, of a ramp angle where both planes meet; ``tyres_mm``:
    where the planes touch the tyres, (3,) each, in the middle of the axle.
    """

    meaning: str
    value_deg: float
    uncertainty_deg: float
    coverage: float
    budget_deg: dict[str, float | None]
    unknown: list[str]
    at_most: bool
    body_mm: np.ndarray
    tyres_mm: list[np.ndarray]
    poor_ends: list[PoorEnd] = field(default_factory=list)
    nominal_deg: float | None = None
    difference_deg: float | None = None
    significant: bool | None = None
    tolerance: Tolerance | None = None
    verdict: str | None = None


@dataclass(frozen=True)
class Underbody:
    """Shares of the part's plan that was seen from below, 0..1: ``front`` and ``rear`` of the axles, ``between`` them,
    and there in the ``strip`` of the ground clearance; None where there is no such plan."""

    front: float | None
    between: float | None
    rear: float | None
    strip: float | None


@dataclass(frozen=True)
class Protrusion:
    """A short protrusion ``where`` ("left", "right"), or a thin one on the "roof" or at the "rear": how far it projects
    from its surroundings, ``reach_mm``; its bounds ``low_mm`` and ``high_mm``, (3,), None where no vertex lies beyond
    the surroundings; whether it is ``excluded`` from the width, from the height or from the rear of the body."""

    where: str
    reach_mm: float
    low_mm: np.ndarray | None
    high_mm: np.ndarray | None
    excluded: bool


@dataclass(frozen=True)
class Extent:
    """Bounds of the measured surface along the axes, ``low_mm`` and ``high_mm``, (3,), single vertices included."""

    low_mm: np.ndarray
    high_mm: np.ndarray


@dataclass(frozen=True)
class Track:
    """Tracks, axle by axle from the front, with expanded uncertainties (k = 2): over the tyres' outer faces,
    ``over_tyres_mm``; ``track_mm``, the distance of the lines in which the wheel centre planes meet the ground; None
    where not known, with ``reasons`` why the track is not stated."""

    over_tyres_mm: list[float | None]
    over_tyres_uncertainty_mm: list[float | None]
    track_mm: list[float | None]
    track_uncertainty_mm: list[float | None]
    reasons: list[str | None]


@dataclass(frozen=True)
class Section:
    """A plane section: its ``name``; ``order``: the name of the job sheet's entry that asks for it, None for a plane of
    every part; a plane across an axis has that ``axis`` ("x", "y", "z") and its ``value_mm``, others None.

    The plane goes through ``point_mm`` (3,), which is (0, 0) of its coordinates, along ``across`` and ``up`` (3,).
    ``length_mm`` and ``filled_mm``: lengths of the measured and of the filled outlines; ``outlines``: how many,
    ``closed`` of them; ``chord_mm``: the largest distance of the outlines from their reduced polylines; ``splines``
    through the measured ones, and ``spline_mm``, the largest distance between them and the outlines, either way.
    """

    name: str
    order: str | None
    axis: str | None
    value_mm: float | None
    point_mm: np.ndarray
    across: np.ndarray
    up: np.ndarray
    length_mm: float
    filled_mm: float
    outlines: int
    closed: int
    chord_mm: float
    splines: int
    spline_mm: float


@dataclass(frozen=True)
class Area:
    """An area that deviates significantly, ``number`` on the page from 1: its size; the ``mean_mm`` of its deviation
    and the ``largest_mm`` of a patch in it, signed, with the expanded ``uncertainty_mm`` of that; ``at_mm`` (3,), where
    the largest is, with the area's mean ``normal`` (3,); its bounds ``low_mm`` and ``high_mm`` (3,)."""

    number: int
    area_cm2: float
    mean_mm: float
    largest_mm: float
    uncertainty_mm: float
    at_mm: np.ndarray
    low_mm: np.ndarray
    high_mm: np.ndarray
    normal: np.ndarray


@dataclass(frozen=True)
class Symmetry:
    """The left side against the mirror image of the right one, positive where the left projects further.

    ``compared``: number of points; ``without_partner``: share of points without a counterpart within ``limit_mm``;
    mean, median and root mean square of the deviation; ``abs_95_mm``, which 95 % do not exceed; ``abs_max_mm``;
    ``uncertainty_median_mm``, expanded, of a point's deviation, None where it is not known; ``refitted_mm``: how far
    the mirror plane was moved from Y = 0 at most, None where it was kept; ``areas`` of the left side that differ
    significantly, among ``tested`` patches; the expected share of false ones is ``level``.
    """

    compared: int
    without_partner: float
    limit_mm: float
    mean_mm: float
    median_mm: float
    rms_mm: float
    abs_95_mm: float
    abs_max_mm: float
    uncertainty_median_mm: float | None
    refitted_mm: float | None
    tested: int
    level: float
    areas: list[Area]


@dataclass(frozen=True)
class UncertaintyMap:
    """The expanded uncertainty (k = 2) of the measured surface along its normal.

    Of its shape: ``median_mm``, ``p95_mm``, which 95 % of the area keep to, ``worst_mm`` with its place ``worst_at_mm``
    (3,); ``in_vehicle_median_mm`` and ``in_vehicle_p95_mm`` of coordinates in the vehicle frame, None where that is
    kept as scanned; medians of the standard uncertainties by cause, ``causes_mm``; ``asked_mm`` of the job, None where
    nothing is asked, and the share of the area that exceeds it, ``above_share``; ``unknown_share`` of the vertices,
    where the surface was filled; ``spacing_mm`` of the values in ``uncertainty.ply``.
    """

    median_mm: float
    p95_mm: float
    worst_mm: float
    worst_at_mm: np.ndarray
    in_vehicle_median_mm: float | None
    in_vehicle_p95_mm: float | None
    causes_mm: dict[str, float | None]
    asked_mm: float | None
    above_share: float | None
    unknown_share: float
    spacing_mm: float


@dataclass(frozen=True)
class ReferenceComparison:
    """The measured surface against the reference ``file`` of the job sheet, positive where it lies outside.

    ``kind`` and ``align`` as the sheet has them; ``state``: "compared", or "refused" for a ``reason``, and then the
    rest says nothing. ``uncertainty_assumed``: that of an earlier scan was taken to be as large as that of this one;
    ``elsewhere``: the reference stood in another coordinate system, ``turned_over``: its faces were inside out.
    ``T_reference_vehicle`` (4, 4); ``fit_share`` of the surface by which it was registered, None as placed;
    ``without_partner``: share of the measured area without a counterpart within ``limit_mm``; ``median_mm``,
    ``rms_mm`` and ``abs_95_mm`` of the deviations; ``uncertainty_median_mm``, expanded, of a point's deviation;
    ``areas`` that differ significantly among ``tested`` patches, of which ``level`` is the expected false share.
    """

    file: str
    kind: str
    align: str
    state: Literal["compared", "refused"]
    reason: str | None
    uncertainty_assumed: bool = False
    elsewhere: bool = False
    turned_over: bool = False
    T_reference_vehicle: np.ndarray | None = None
    fit_share: float | None = None
    limit_mm: float | None = None
    without_partner: float | None = None
    median_mm: float | None = None
    rms_mm: float | None = None
    abs_95_mm: float | None = None
    uncertainty_median_mm: float | None = None
    tested: int = 0
    level: float | None = None
    areas: list[Area] = field(default_factory=list)


@dataclass(frozen=True)
class RoomSize:
    """A size of a room: ``key`` and ``title``, its value with uncertainty as a :class:`Dimension`, and the numbers of
    the ``planes`` between which it was taken, as frame lists them."""

    key: str
    title: str
    size: Dimension
    planes: list[int]


@dataclass(frozen=True)
class MeasureResult:
    """Numbers of measure for a part.

    ``dimensions`` by name, those that can be stated; ``support_mm2``: area of surface in one patch that had to reach a
    touching plane; ``loose_mm2``: area of loose pieces, which the dimensions leave out; ``protrusions``; ``extent_mm``,
    None where nothing was measured; ``track``; ``sections``, whose polylines are in ``sections.json``; ``symmetry``,
    None without a symmetry plane or a common surface, with its map in ``sides.npy``; ``scale``: what all lengths were
    multiplied by, as network determined it; ``room``: sizes of an interior, and distances that the job sheet asks for;
    ``angles`` by name; ``not_stated`` {name of a dimension or angle: the reason why it can't be stated}; ``underbody``:
    what was seen of it, None without axles;
    ``uncertainty`` of the surface, with its map in ``deliverables/uncertainty.ply``, None without measured surface;
    ``reference``: comparison with that of the job sheet, None where it names none, with its map in
    ``deliverables/comparison.ply`` and its areas in ``deliverables/comparison.csv``;
    ``features`` that the job sheet orders, None without any.
    """

    dimensions: dict[str, Dimension]
    support_mm2: float
    loose_mm2: float
    protrusions: list[Protrusion]
    extent_mm: Extent | None
    track: Track
    sections: list[Section]
    symmetry: Symmetry | None
    scale: Scale
    room: list[RoomSize]
    angles: dict[str, Angle] = field(default_factory=dict)
    not_stated: dict[str, str] = field(default_factory=dict)
    underbody: Underbody | None = None
    uncertainty: UncertaintyMap | None = None
    reference: ReferenceComparison | None = None
    features: FeaturesResult | None = None
