"""What reduce leaves: the levels of detail and how far each is from the full surface."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Target:
    """What a level aims at, one of two: ``deviation_mm``, which 95 % of the full surface keep to, or ``faces``."""

    deviation_mm: float | None = None
    faces: int | None = None


@dataclass(frozen=True)
class Distances:
    """Distances of ``samples`` points to the nearest point of another surface: the largest, ``max_mm``; the root mean
    square, ``rms_mm``; ``p95_mm``, which 95 % of them do not exceed."""

    samples: int
    max_mm: float
    rms_mm: float
    p95_mm: float


@dataclass(frozen=True)
class Deviation:
    """Distances between a level and the full surface, both sampled evenly by area: from points and vertices of the
    level, from points of the full surface, and from the full surface's boundary, None where it has none."""

    level_to_full: Distances
    full_to_level: Distances
    boundary_to_level: Distances | None


@dataclass(frozen=True)
class Level:
    """A level of detail. All but ``faces`` and ``vertices`` is None for the level ``full``, a copy of fill's surface.

    ``target``; ``deviation`` from the full surface; ``area_mm2``; ``filled_faces`` and their area
    ``filled_area_mm2``, at coarse levels larger than what was filled; ``boundary_edges``; ``degenerate_faces``, without
    area; ``edges_of_many_faces``, with more than two; ``edges_of_one_direction``, along which two faces run the same
    way.
    """

    faces: int
    vertices: int
    target: Target | None = None
    deviation: Deviation | None = None
    area_mm2: float | None = None
    filled_faces: int | None = None
    filled_area_mm2: float | None = None
    boundary_edges: int | None = None
    degenerate_faces: int | None = None
    edges_of_many_faces: int | None = None
    edges_of_one_direction: int | None = None


@dataclass(frozen=True)
class ReduceResult:
    """Numbers of reduce for a part: ``levels`` by name, of which ``full`` is always there."""

    levels: dict[str, Level]
