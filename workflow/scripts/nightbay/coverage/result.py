"""What is known of the coverage of a vehicle's outside, or of a room: places that were never seen, or are open."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from nightbay.core.language import say
from nightbay.core.text_format import number
from nightbay.coverage import places
from nightbay.coverage.places import Location
from nightbay.coverage.room_places import RoomLocation
from nightbay.coverage.room_signs import RoomSigns
from nightbay.coverage.signs import Signs


@dataclass(frozen=True)
class Area:
    """A place without surface, as seen along one of the vehicle's axes.

    ``number`` in the list and in the picture, from 1; ``verdict``: "never seen" (to be scanned again) or "open" (to be
    looked at: glazing, a grille or another opening by nature); ``view`` from which it is seen best: "left", "right",
    "front", "rear" or "top", in a room the side that it lies in; ``area_mm2`` of the surface that would close it, at
    most ``most_mm2`` by a quarter of a cell along its edge. ``centre_mm``, ``low_mm``, ``high_mm`` (3,) in the frame of
    the points. ``outlines_mm`` {view: closed polygons (k, 2)} in the coordinates of each view that shows it (see
    :data:`nightbay.coverage.views.VIEWS` and ``INSIDE``).
    """

    number: int
    verdict: Literal["never seen", "open"]
    view: str
    location: Location | RoomLocation
    area_mm2: float
    most_mm2: float
    centre_mm: np.ndarray
    low_mm: np.ndarray
    high_mm: np.ndarray
    signs: Signs | RoomSigns
    outlines_mm: dict[str, list[np.ndarray]]

    @property
    def place(self) -> str:
        """Where it lies, in words."""
        if isinstance(self.location, RoomLocation):
            return self.location.words()
        return places.words(self.location, self.view)

    @property
    def evidence(self) -> str:
        """Why its verdict is what it is, in words."""
        return self.signs.words()


@dataclass(frozen=True)
class Coverage:
    """The areas, never seen ones first and then by size; ``cell_mm``: edge of the cells in which surface was looked
    for; ``least_mm2``: smallest area that is listed; ``spacing_mm`` of the points, and ``most_spacing_mm`` with which
    the coverage is known."""

    areas: list[Area]
    cell_mm: float
    least_mm2: float
    spacing_mm: float
    most_spacing_mm: float

    @property
    def reason(self) -> str | None:
        """Why the coverage is not known, as a clause; None where it is."""
        if self.spacing_mm <= self.most_spacing_mm:
            return None
        return say(
            "points lie {spacing} mm apart, and {most} mm are needed to see an area of {area} m2 missing",
            spacing=number(self.spacing_mm),
            most=number(self.most_spacing_mm),
            area=number(self.least_mm2 / 1e6, 2),
        )

    @property
    def never_seen(self) -> list[Area]:
        """The areas that have to be scanned again."""
        return [area for area in self.areas if area.verdict == "never seen"]
