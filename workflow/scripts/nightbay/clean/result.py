"""Result of the stage clean for one segment, beside its cleaned cloud and the removed points."""

from dataclasses import dataclass
from enum import IntEnum
from typing import Literal

import numpy as np


class Reason(IntEnum):
    """Why a point is removed: its code in ``removed.ply``."""

    OUTLIER = 1  # belongs to no surface
    CLUSTER = 2  # in a small cluster that is connected to nothing
    GROUND = 3
    SURROUNDINGS = 4  # beyond the vehicle, or below the ground
    GRAZING = 5  # seen edge on: its direction contradicts the surface that it lies in
    GHOST = 6  # a mirror image behind a glossy panel
    DUPLICATE_LAYER = 7  # in a second copy of a surface, less well supported

    @property
    def word(self) -> str:
        """The reason in words, as in ``removed`` and on the page."""
        return self.name.lower().replace("_", " ")


@dataclass(frozen=True)
class DuplicateLayer:
    """An area in which the points lay in two copies of one surface.

    ``area_mm2`` by the cells that it fills; ``apart_mm``: median distance of the copies along the normal; ``kept``:
    the copy that stays, or both where it is not clear which is right.
    """

    area_mm2: float
    apart_mm: float
    kept: Literal["outer", "inner", "both"]


@dataclass(frozen=True)
class SegmentGround:
    """The ground of one segment: the plane ``normal . x = offset_mm`` in the segment frame, in the scanner's lengths.

    ``normal`` (3,) unit, up; ``sd_mm``: standard deviation of the ground's points about the plane; ``points``: how many
    were removed as ground.
    """

    normal: np.ndarray
    offset_mm: float
    sd_mm: float
    points: int


@dataclass(frozen=True)
class CleanResult:
    """One segment after cleaning.

    ``kept`` points; ``removed`` points by reason; ``reasons``: the reason of each code in ``removed.ply``, the code as
    text; ``undecided``: kept points in two copies of a surface, where it is not clear which is right.
    ``spacing_mm``: 1 / sqrt(points per mm2 of surface), median, before cleaning. ``normals_certainty`` as intake found
    it: 0..1 for estimated normals, None for measured ones. ``ground``: None where the segment shows none or is of an
    interior.
    """

    kept: int
    removed: dict[str, int]
    reasons: dict[str, str]
    undecided: int
    duplicate_layers: list[DuplicateLayer]
    spacing_mm: float
    normals_certainty: float | None
    ground: SegmentGround | None
