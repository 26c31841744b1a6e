"""A room whose sizes are being taken: its surface, its bounds, and what was stated of it so far."""

from collections.abc import Iterator
from typing import Any

import numpy as np

from nightbay.measure import dimensions
from nightbay.measure.result import RoomSize, TouchPoints
from nightbay.measure.room_faces import End, Shell
from nightbay.uncertainty import budget as uncertainty_budget

FLOOR_LOW_MM, FLOOR_HIGH_MM = 40.0, 160.0  # above the fillet of a floor and below most of what stands on it
BELT_MM = 40.0  # half height of the band at belt height: a bowed wall bends by less than 0.1 mm in it
BELT = 0.6  # belt height is no higher than this share of the room's


class Room:
    """Sizes of a room, taken one after another; ``sizes`` and ``notes`` collect them.

    ``shell``: its surface; ``belt_mm``: height above the floor at which it is measured a second time.
    """

    def __init__(self, shell: Shell, belt_mm: float) -> None:
        self.shell = shell
        self.low, self.high = np.percentile(shell.points_mm, [0.5, 99.5], axis=0)
        self.belt_mm = min(belt_mm, BELT * (self.high[2] - self.low[2]))
        self.sizes: list[RoomSize] = []
        self.notes: list[str] = []
        self.decided = bool(shell.frame.room and shell.frame.room.up.decided and shell.frame.room.along.decided)

    def add(self, key: str, title: str, meaning: str, ends: tuple[End | None, End | None], axis: int) -> None:
        """State the distance of two ends along an axis; nothing where one was not found."""
        high, low = ends
        if high is None or low is None:
            return
        size = state(self.shell, key, title, meaning, (high, low), np.eye(3)[axis])
        self.sizes.append(size)

    def heights(self) -> Iterator[tuple[str, str, float, float]]:
        """The two heights at which the room is measured: key, words, and the band's low and high, mm."""
        yield "floor", "at floor height", FLOOR_LOW_MM, FLOOR_HIGH_MM
        yield "belt", "at belt height", self.belt_mm - BELT_MM, self.belt_mm + BELT_MM

    def box(self, low: Any, high: Any) -> tuple[np.ndarray, np.ndarray]:
        """A box, (3,) each, with None where the room's own ends count."""
        return (
            np.array([self.low[at] if value is None else value for at, value in enumerate(low)], float),
            np.array([self.high[at] if value is None else value for at, value in enumerate(high)], float),
        )


def state(shell: Shell, key: str, title: str, meaning: str, ends: tuple[End, End], direction: np.ndarray) -> RoomSize:
    """The distance of two ends along a ``direction`` (3,) unit, with its uncertainty."""
    high, low = ends
    value_mm = abs(float((high.point_mm - low.point_mm) @ direction))
    causes = sorted({cause for end in ends for cause in end.sd_mm})
    budget: dict[str, float | None] = {
        cause: float(np.sqrt(sum(end.sd_mm.get(cause, 0.0) ** 2 for end in ends))) for cause in causes
    }
    posed = [uncertainty_budget.registration_sd_mm(end.point_mm, direction, shell.frame, shell.poses) for end in ends]
    known = [sd for sd in posed if sd is not None]
    budget["registration"] = float(np.sqrt(sum(sd**2 for sd in known))) if len(known) == len(posed) else None
    budget["drift"] = uncertainty_budget.drift_sd_mm(value_mm, shell.scan)
    stated = dimensions.dimension(meaning, value_mm, budget, TouchPoints(high.point_mm, low.point_mm), shell.scale)
    planes = [end.plane for end in ends if end.plane is not None]
    return RoomSize(key, title, stated, planes)
