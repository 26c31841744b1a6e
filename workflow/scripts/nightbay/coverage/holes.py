"""Holes of single views, and what two views show of one place joined."""

from dataclasses import dataclass, replace

import numpy as np

from nightbay.coverage.room_signs import RoomSigns
from nightbay.coverage.signs import Signs

# Bounds of one place in two views lie no farther apart than that; round a corner, which neither shows, by its radius.
ASIDE_MM, CORNER_MM = 30.0, 200.0


@dataclass(frozen=True)
class Hole:
    """A hole of a view in the design grid, as :class:`Area`: ``projected_mm2`` and a quarter of a cell along its
    edge, ``edge_mm2``, as the view shows them; ``slant``: cosine of the surface round it to the view. ``seen_mm2``: the
    area by other views that show it, each with its share: the squares of a normal's three cosines add up to one."""

    view: str
    verdict: str
    projected_mm2: float
    edge_mm2: float
    slant: float
    centre_mm: np.ndarray
    low_mm: np.ndarray
    high_mm: np.ndarray
    signs: Signs | RoomSigns
    outlines_mm: dict[str, list[np.ndarray]]
    seen_mm2: float = 0.0

    @property
    def area_mm2(self) -> float:
        """Area of the surface that would close it."""
        return max(self.projected_mm2 / self.slant, self.seen_mm2 + self.projected_mm2 * self.slant)

    @property
    def most_mm2(self) -> float:
        """The same with a quarter of a cell more along the edge: twice the scatter of where that is found."""
        return self.area_mm2 + self.edge_mm2 / self.slant

    def with_part(self, part: "Hole") -> "Hole":
        """This hole with what another view shows of it."""
        return replace(
            self,
            low_mm=np.minimum(self.low_mm, part.low_mm),
            high_mm=np.maximum(self.high_mm, part.high_mm),
            outlines_mm=self.outlines_mm | part.outlines_mm,
            seen_mm2=self.seen_mm2 + part.projected_mm2 * part.slant,
        )


def joined(holes: list[Hole]) -> list[Hole]:
    """Each place once: what two views show of one place is joined, as the larger of them with the outlines of both.

    Holes of different views and the same verdict are of one place where their bounds meet.
    """
    kept: list[Hole] = []
    for hole in sorted(holes, key=lambda hole: -hole.projected_mm2):
        for at, other in enumerate(kept):
            if hole.verdict == other.verdict and hole.view not in other.outlines_mm and _meet(hole, other):
                kept[at] = other.with_part(hole)
                break
        else:
            kept.append(hole)
    return kept


def _meet(a: Hole, b: Hole) -> bool:
    aside_mm = CORNER_MM if a.verdict == "never seen" else ASIDE_MM
    return bool(np.all((a.low_mm < b.high_mm + aside_mm) & (b.low_mm < a.high_mm + aside_mm)))
