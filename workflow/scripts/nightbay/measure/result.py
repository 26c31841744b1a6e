"""The numbers in the JSON of the stage measure: dimensions with uncertainties, sections, left against right.

All positions are in the vehicle frame, (3,) mm.
"""

from dataclasses import dataclass

import numpy as np

from nightbay.refine.result import Scale

COVERAGE = 2  # k: about 95 % of the cases where the causes are many and similar in size


@dataclass(frozen=True)
class At20C:
    """A dimension at 20 degrees Celsius (ISO 1): ``value_mm`` with its expanded uncertainty ``uncertainty_mm``."""

    value_mm: float
    uncertainty_mm: float


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
class Dimension:
    """A dimension of a part.

    ``meaning`` in words; ``value_mm``; ``at_20_c``, None where the body's temperature or material is not known or where
    all lengths are at 20 degrees already; ``uncertainty_mm``, expanded: ``coverage`` times the root of the sum of
    squares of ``budget_mm``, the standard uncertainties by cause, None for a cause of unknown size; ``unknown``:
    those causes, which are not in the sum; ``points_mm``; ``unscanned_ends``: with any of them the dimension may be
    larger. With a nominal value: ``nominal_mm``, ``difference_mm`` (value less nominal) and whether it is
    ``significant``, beyond the uncertainty, None where an unscanned end leaves that open. Of the wheelbase alone:
    ``axles_mm``, the distances of neighbouring axles from the front, and the wheelbase of each side, ``left_mm`` and
    ``right_mm``, None where a wheel is missing.
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


@dataclass(frozen=True)
class Protrusion:
    """A short protrusion ``where`` ("left", "right"), or a thin one on the "roof": how far it projects from its
    surroundings, ``reach_mm``; its bounds ``low_mm`` and ``high_mm``, (3,), None where no vertex lies beyond the
    surroundings; whether it is ``excluded`` from the width, or from the height of the body."""

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
class Symmetry:
    """The left side against the mirror image of the right one, positive where the left projects further.

    ``compared``: number of points; ``without_partner``: share of points without a counterpart within ``limit_mm``;
    mean, median and root mean square of the deviation; ``abs_95_mm``, which 95 % do not exceed; ``abs_max_mm``.
    """

    compared: int
    without_partner: float
    limit_mm: float
    mean_mm: float
    median_mm: float
    rms_mm: float
    abs_95_mm: float
    abs_max_mm: float


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
    multiplied by, as network determined it; ``room``: sizes of an interior, and distances that the job sheet asks for.
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
