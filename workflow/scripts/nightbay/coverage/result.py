"""What is known of the coverage of a vehicle's outside: places that were never seen, and places that are open."""

from dataclasses import dataclass
from typing import Literal

import numpy as np


@dataclass(frozen=True)
class Area:
    """A place without surface, as seen along one of the vehicle's axes.

    ``number`` in the list and in the picture, from 1; ``verdict``: "never seen" (to be scanned again) or "open" (to be
    looked at: glazing, a grille or another opening by nature); ``view`` from which it is seen best: "left", "right",
    "front", "rear" or "top"; ``place`` in words; ``area_mm2`` of the surface that would close it, at most ``most_mm2``
    by a quarter of a cell along its edge. ``centre_mm``, ``low_mm``, ``high_mm`` (3,) in the frame of the points;
    ``evidence`` in words.

    ``mirrored``: share of it that has surface on the other side of the symmetry plane, None without one; ``returns``:
    points in it against those that surface would have; ``edged``: share of its edge that a step or a flange follows,
    None where no surface borders on it. ``outlines_mm`` {view: closed polygons (k, 2)} in the coordinates of each view
    that shows it (see :data:`nightbay.coverage.views.VIEWS`).
    """

    number: int
    verdict: Literal["never seen", "open"]
    view: str
    place: str
    area_mm2: float
    most_mm2: float
    centre_mm: np.ndarray
    low_mm: np.ndarray
    high_mm: np.ndarray
    evidence: str
    mirrored: float | None
    returns: float
    edged: float | None
    outlines_mm: dict[str, list[np.ndarray]]


@dataclass(frozen=True)
class Coverage:
    """The areas, never seen ones first and then by size; ``cell_mm``: edge of the cells in which surface was looked
    for; ``least_mm2``: smallest area that is listed; ``reason``: why the coverage is not known, None where it is."""

    areas: list[Area]
    cell_mm: float
    least_mm2: float
    reason: str | None = None

    @property
    def never_seen(self) -> list[Area]:
        """The areas that have to be scanned again."""
        return [area for area in self.areas if area.verdict == "never seen"]
