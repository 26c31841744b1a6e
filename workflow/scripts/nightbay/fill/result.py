"""The numbers in the JSON of the stage fill: gaps closed and openings left."""

from dataclasses import dataclass
from typing import Literal

import numpy as np


@dataclass(frozen=True)
class Opening:
    """An opening that stays: ``kind`` "large" (larger than the limit), "rim" (a cap would run across the sheet) or
    "folded" (no patch fits its boundary); ``centre_mm`` (3,), the mean of the boundary's vertices, and ``size_mm``
    (3,), its extent along the axes, in the vehicle frame; ``area_mm2`` of the boundary's projection along the cap's
    axis; ``perimeter_mm``, the length of the boundary; ``boundary_mm`` (k, 3): some of its vertices, in their order
    around it, of the largest openings, None of the others."""

    kind: str
    centre_mm: np.ndarray
    size_mm: np.ndarray
    area_mm2: float
    perimeter_mm: float
    boundary_mm: np.ndarray | None = None


@dataclass(frozen=True)
class OpeningsTotal:
    """All openings together: ``count``, the sum of their areas ``area_mm2``, and how many of them are ``listed``."""

    count: int
    area_mm2: float
    listed: int


@dataclass(frozen=True)
class FillResult:
    """Numbers of fill for a part.

    ``gaps`` closed; ``filled_faces`` added and their area, ``filled_area_mm2``; ``measured_area_mm2`` of the faces that
    were measured; ``largest_filled_area_mm2``: plane area of the largest gap closed, None when none was;
    ``surroundings_rms_mm``: root mean square over the gaps of the measured vertices' spread about the quadrics that the
    patches follow, None when no gap was closed; ``filled_uncertainty_mm``: always None, for the reason beside it;
    ``outer_boundaries``: outer boundaries of separate pieces of the surface, which are not gaps; ``open``: all openings
    together; ``openings``: the largest of them, the largest area first; ``mirrored``: the side whose image stands for
    what was not scanned of the other, as the job sheet orders, and its area, ``mirrored_area_mm2``, which is in no
    other number; ``mirrored_refused``: why it was ordered and not made.
    """

    gaps: int
    filled_faces: int
    filled_area_mm2: float
    measured_area_mm2: float
    largest_filled_area_mm2: float | None
    surroundings_rms_mm: float | None
    filled_uncertainty_mm: None
    filled_uncertainty_reason: str
    outer_boundaries: int
    open: OpeningsTotal
    openings: list[Opening]
    mirrored: Literal["left", "right"] | None = None
    mirrored_area_mm2: float = 0.0
    mirrored_refused: str | None = None
