"""What tells a place of a room that was never seen from a door, a window or another opening: the verdict, its words."""

from dataclasses import dataclass

from nightbay.core.language import say
from nightbay.core.text_format import listing, share
from nightbay.coverage.signs import ASYMMETRIC, EDGED, SCATTERED


@dataclass(frozen=True)
class RoomSigns:
    """Signs that a hole in a side of a room shows.

    ``in_sight``: share of the positions in the room, of those that look at it, that see it past what stands in the
    room; ``mirrored``: share of it that has surface at its mirror image, None without a symmetry plane; ``returns``:
    points in it against those that surface would have; ``looked_at``: they come back from all over it; ``through``:
    surface outside the room shows through it; ``framed``: share of its edge along which surface returns outwards, as
    the frame of a door or a window does, None where no surface borders on it; ``doorway``: it reaches from the floor
    over most of the height and is as wide as a door; ``window``: it lies in a wall, where windows are, and has the
    form of one; ``open_end``: it is most of the room's end that is open, or of the top of a bed.
    """

    in_sight: float
    mirrored: float | None
    returns: float
    looked_at: bool
    through: bool
    framed: float | None
    doorway: bool
    window: bool
    open_end: bool

    @property
    def never_seen(self) -> bool:
        """Whether a place with these signs was never seen; else it is open."""
        return not (self.open_end or self.doorway or self._opening or (self.window and self._alike))

    def words(self) -> str:
        """Clauses with the evidence for the verdict, and what to look for where it is open."""
        if self.open_end:
            return say("all of this end of the room is open, and the others are not: check that it is open by nature")
        if self._opening:
            return say("{signs}: check that this is a window, a door or another opening", signs=listing(self._listed()))
        if self.doorway:
            return say(
                "it reaches from the floor over most of the height, as a door does, and no point comes back from it: "
                "check that this is a door"
            )
        if not self.never_seen:
            return say(
                "no point comes back from it, and it looks the same on both sides, as windows do: check that this is a "
                "window"
            )
        values = {"seen": share(self.in_sight, 0), "other": share(self.mirrored, 0)}
        if self.mirrored is None or self.mirrored < ASYMMETRIC:
            return say(
                "it can be seen from {seen} of the room in front of it, no frame follows its edge, and no point comes "
                "back from it",
                **values,
            )
        if self.window:
            return say(
                "the other side has surface over {other} of it, this side has none (unless it is a window on one side "
                "only), and it can be seen from {seen} of the room in front of it",
                **values,
            )
        return say(
            "the other side has surface over {other} of it, this side has none, and it can be seen from {seen} of the "
            "room in front of it",
            **values,
        )

    @property
    def _alike(self) -> bool:
        return self.mirrored is not None and self.mirrored < ASYMMETRIC

    @property
    def _framed(self) -> bool:
        return self.framed is not None and self.framed >= EDGED

    @property
    def _opening(self) -> bool:
        return self.looked_at or self._framed or self.through

    def _listed(self) -> list[str]:
        """Signs of an opening, a clause each."""
        listed = []
        if self.looked_at:
            listed.append(say(SCATTERED))
        if self._framed:
            listed.append(say("a frame follows {share} of its edge", share=share(self.framed, 0)))
        if self.through:
            listed.append(say("surface outside the room shows through it"))
        return listed
