"""Holes of single views: the verdict on one, and what two views show of one place joined."""

from dataclasses import dataclass, replace

import numpy as np

from nightbay.core.text_format import listing

# Openings are alike on both sides: a place is not, where the other side has surface over this share of it.
ASYMMETRIC = 0.3
EDGED, SMOOTH = 0.5, 0.1  # shares of the edge with a step: from the first a place is framed, up to the other it is not
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
    evidence: str
    mirrored: float | None
    returns: float
    edged: float | None
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


def judged(
    share: float | None, looked_at: bool, through: bool, edged: float | None, glazing: bool, scattered: bool
) -> tuple[str, str]:
    """The verdict on a hole and the evidence in words.

    ``share`` of it that has surface on the other side; ``looked_at``: points come back from all over it; ``through``:
    surface shows deep inside; ``edged``: share of its edge with a step; ``glazing``: it lies where windows are;
    ``scattered``: what the other side has are few points, as glazing gives.
    """
    signs = []
    if looked_at:
        signs.append("scattered points come back from all over it, as from glass, chrome or black trim")
    if edged is not None and edged >= EDGED:
        signs.append(f"a step or flange follows {edged:.0%} of its edge")
    if through:
        signs.append("surface shows deep inside")
    if share is not None and share >= ASYMMETRIC:
        seen = f"the other side has surface over {share:.0%} of it"
        if scattered and not looked_at:
            return "open", "the other side has scattered points, as glazing gives: check that this is glazing"
        if looked_at:
            return "open", f"{seen}, but here {listing(signs)}: check that this is glazing"
        unless = " (unless it is glazing on one side only)" if glazing else ""
        return "never seen", f"{seen}, this side has none{unless}"
    if signs:
        return "open", f"{listing(signs)}: check that this is glazing or another opening"
    if edged is None:
        return "never seen", "no surface borders on it, and no point comes back from it"
    if edged <= SMOOTH and not glazing:
        return "never seen", (
            "it lies below the windows, surface ends all round it without a step or flange, and no point comes back "
            "from it"
        )
    return "open", (
        f"no point comes back, and a step or flange follows {edged:.0%} of its edge: it looks the same on both sides, "
        "or lies in the middle; check that this is glazing or another opening"
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
