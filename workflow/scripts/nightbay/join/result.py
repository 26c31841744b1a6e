"""Result of the stage join: the interior in the exterior's frame, how sure that is, wall thickness and load sizes."""

from dataclasses import dataclass

import numpy as np

FLOOR_END_MM = 200.0  # depth of the load floor's rear end in which its height is taken


@dataclass(frozen=True)
class Tried:
    """A way to join the parts that found no pose: ``by`` "targets", "points" or "surfaces", and the ``reason``."""

    by: str
    reason: str


@dataclass(frozen=True)
class CommonPoints:
    """Targets or named points that both parts have: ``common`` of them, of which ``used`` agree.

    ``withheld_rms_mm``: error of those used as a fit without each predicts it; ``expected_rms_mm``: what the
    uncertainties allow of it; ``dropped``: names or numbers of those that contradict the others; ``runner_up``: targets
    that the best contradicting pose explains, None for named points.
    """

    common: int
    used: int
    withheld_rms_mm: float
    expected_rms_mm: float
    dropped: list[str]
    runner_up: int | None


@dataclass(frozen=True)
class CommonSurface:
    """Surface that both parts saw: its area, its ``patches``, their RMS distance and what is expected of it.

    ``withheld``: the patches took part in the fit, and each is predicted by a fit without it; else they did not, and
    test the pose. ``agreeing_share`` of the surface that lies near and faces the same way, and agrees.
    """

    area_mm2: float
    patches: int
    rms_mm: float
    expected_rms_mm: float
    withheld: bool
    agreeing_share: float


@dataclass(frozen=True)
class Contradictions:
    """What would contradict the join, as shares: of the interior's surface in space that the exterior's scanner looked
    through, of surface of the exterior in space that the interior's looked through, of both for each cell that both saw
    (less what may be chance), of surface near each other that forms steps, of the interior outside of the convex hull
    of the exterior, and of the inner surface near an outer skin that lies outside of that skin."""

    interior_in_free_space: float
    exterior_in_free_space: float
    of_common: float
    steps: float
    outside_hull: float
    through_skin: float


@dataclass(frozen=True)
class Alternative:
    """Another pose by surfaces, relative to the one that was chosen: ``shift_mm`` (3,) of the interior's middle in the
    vehicle frame, ``turn_deg``; ``agreement``: surface that agrees as a share of that of the chosen pose."""

    shift_mm: np.ndarray
    turn_deg: float
    agreement: float
    contradiction: float


@dataclass(frozen=True)
class WallThickness:
    """Distance of the inner to the outer surface along the inner normal, over the walls that face one way.

    ``wall``: "left", "right", "front", "rear", "roof" or "floor" of the vehicle, or "+x" .. "-z" where its frame was
    not found; ``count`` places; ``median_mm``, ``p05_mm`` and ``p95_mm`` over them; ``uncertainty_mm``: median expanded
    uncertainty (k = 2) of a place.
    """

    wall: str
    count: int
    median_mm: float
    p05_mm: float
    p95_mm: float
    uncertainty_mm: float


@dataclass(frozen=True)
class SectionThickness:
    """One place of a section: inner and outer point (3,) in the vehicle frame, thickness and its expanded uncertainty
    (k = 2)."""

    inner_mm: np.ndarray
    outer_mm: np.ndarray
    thickness_mm: float
    uncertainty_mm: float


@dataclass(frozen=True)
class JoinedSection:
    """A section through both parts: ``name``, the coordinate ``axis`` across it, its ``value_mm``; places in it. The
    polylines are in ``sections.json``."""

    name: str
    axis: int
    value_mm: float
    places: list[SectionThickness]


@dataclass(frozen=True)
class LoadSize:
    """A size of the interior in the vehicle: ``value_mm`` with its expanded uncertainty ``uncertainty_mm``, which is
    ``coverage`` times the root of the sum of squares of ``budget_mm``, the standard uncertainties by cause, None for a
    cause of unknown size; ``unknown``: those causes. ``low_mm`` and ``high_mm`` (3,): its ends in the vehicle frame; of
    a length the end nearer to the front is ``low_mm``, and ``ends`` says what its front and its rear end are, "wall" or
    "open end"; else None."""

    value_mm: float
    uncertainty_mm: float
    coverage: float
    budget_mm: dict[str, float | None]
    unknown: list[str]
    low_mm: np.ndarray
    high_mm: np.ndarray
    ends: list[str] | None = None


@dataclass(frozen=True)
class Aperture:
    """An opening in a wall of the interior, or an end without a wall.

    ``side`` of the vehicle: "left", "right", "front" or "rear"; ``wall`` and ``number``: what the sizes of the room
    call it, None for an open end. ``sizes``: "width" and "height", clear; "sill_height", of its lower edge above the
    ground; in a side of the vehicle "front_edge", how far behind the front axle or zero X its front edge lies. Of an
    open end: "width_floor", "width_belt" and "height", between bare surfaces.
    """

    side: str
    wall: str | None
    number: int | None
    sizes: dict[str, LoadSize]


@dataclass(frozen=True)
class LoadSizes:
    """What an outfitter needs of the interior in the vehicle's frame.

    ``sizes``: "length_floor" and "length_belt", along the vehicle's X; "floor_height", of the load floor at its rear
    end above the ground. ``x_from``: what places along X are stated from, "front axle" or "zero X"; ``not_stated``: a
    sentence on each thing that can't be stated.
    """

    sizes: dict[str, LoadSize]
    apertures: list[Aperture]
    x_from: str
    not_stated: list[str]


@dataclass(frozen=True)
class JoinedFile:
    """A file of the stage: ``frame`` in words, faces, and what it holds."""

    file: str
    holds: str
    frame: str
    faces: int


@dataclass(frozen=True)
class JoinResult:
    """The numbers of the stage join.

    ``found_by``: "targets", "points", "points and surfaces" or "surfaces"; ``tried``: ways before it that found none.
    ``T_exterior_interior`` (4, 4) maps the interior's control frame to the exterior's, mm; ``covariance`` (6, 6) of the
    small motion about the origin of the exterior's control frame (rotation vector rad, translation mm).
    ``T_vehicle_interior``: the interior's own vehicle frame to the exterior's, ``T_vehicle_interior_control``: the
    interior's control frame to the exterior's vehicle frame. ``middle_sd_mm`` and ``corner_sd_mm``: standard
    uncertainty of the interior's middle and of its worst corner in the worst direction; ``rotation_sd_deg`` (3,) about
    the axes of the exterior's vehicle frame.
    """

    found_by: str
    tried: list[Tried]
    T_exterior_interior: np.ndarray
    covariance: np.ndarray
    T_vehicle_interior: np.ndarray
    T_vehicle_interior_control: np.ndarray
    middle_sd_mm: float
    corner_sd_mm: float
    rotation_sd_deg: np.ndarray
    points: CommonPoints | None
    surface: CommonSurface | None
    contradictions: Contradictions
    alternatives: list[Alternative]
    thickness: list[WallThickness]
    thickness_coverage: int
    sections: list[JoinedSection]
    load: LoadSizes
    deliverables: list[JoinedFile]
