"""What tells a place that was never seen from one that is open by nature: the verdict by it, and its words."""

from dataclasses import dataclass

from nightbay.core.language import phrase, say
from nightbay.core.text_format import listing, share

# Openings are alike on both sides: a place is not, where the other side has surface over this share of it.
ASYMMETRIC = 0.3
EDGED, SMOOTH = 0.5, 0.1  # shares of the edge with a step: from the first a place is framed, up to the other it is not
SCATTERED = phrase("scattered points come back from all over it, as from glass, chrome or black trim")


@dataclass(frozen=True)
class Signs:
    """Signs that a hole shows.

    ``mirrored``: share of it that has surface on the other side of the symmetry plane, None without one; ``scattered``:
    what the other side has are few points, as glazing gives; ``returns``: points in it against those that surface would
    have; ``looked_at``: points come back from all over it; ``through``: surface shows deep inside; ``edged``: share of
    its edge that a step or a flange follows, None where no surface borders on it; ``glazing``: it lies where windows
    are.
    """

    mirrored: float | None
    scattered: bool
    returns: float
    looked_at: bool
    through: bool
    edged: float | None
    glazing: bool

    @property
    def never_seen(self) -> bool:
        """Whether a place with these signs was never seen; else it is open."""
        if self._one_sided:
            return not self.looked_at and not self.scattered
        return not self._open and (self.edged is None or (self.edged <= SMOOTH and not self.glazing))

    def words(self) -> str:
        """Clauses with the evidence for the verdict, and what to look for where it is open."""
        if self._one_sided:
            return self._words_of_one_side()
        if self._open:
            return say("{signs}: check that this is glazing or another opening", signs=listing(self._listed()))
        if self.edged is None:
            return say("no surface borders on it, and no point comes back from it")
        if self.never_seen:
            return say(
                "it lies below the windows, surface ends all round it without a step or flange, and no point comes "
                "back from it"
            )
        return say(
            "no point comes back, and a step or flange follows {share} of its edge: it looks the same on both sides, "
            "or lies in the middle; check that this is glazing or another opening",
            share=share(self.edged, 0),
        )

    @property
    def _one_sided(self) -> bool:
        return self.mirrored is not None and self.mirrored >= ASYMMETRIC

    @property
    def _framed(self) -> bool:
        return self.edged is not None and self.edged >= EDGED

    @property
    def _open(self) -> bool:
        return self.looked_at or self._framed or self.through

    def _words_of_one_side(self) -> str:
        other = share(self.mirrored, 0)
        if self.looked_at:
            return say(
                "the other side has surface over {share} of it, but here {signs}: check that this is glazing",
                share=other,
                signs=listing(self._listed()),
            )
        if self.scattered:
            return say("the other side has scattered points, as glazing gives: check that this is glazing")
        if self.glazing:
            return say(
                "the other side has surface over {share} of it, this side has none (unless it is glazing on one side "
                "only)",
                share=other,
            )
        return say("the other side has surface over {share} of it, this side has none", share=other)

    def _listed(self) -> list[str]:
        """Signs of an opening, a clause each."""
        listed = []
        if self.looked_at:
            listed.append(say(SCATTERED))
        if self._framed:
            listed.append(say("a step or flange follows {share} of its edge", share=share(self.edged, 0)))
        if self.through:
            listed.append(say("surface shows deep inside"))
        return listed
