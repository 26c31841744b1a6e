"""Places the segments of a part, all of them or, where the job sheet says so, as many as can be placed.

A segment that can't be placed is left out, and everything is done again as if the part did not have it: so what is left
does not depend on it. When segments fall into sets that are not connected to each other, the model is made from the set
with most segments, of sets with equally many from the one with more points. That may be a single segment.
"""

from collections.abc import Callable, Sequence
from typing import TypeVar

from nightbay.core.errors import Unplaced
from nightbay.core.text_format import listing, plural
from nightbay.pipeline import typed
from nightbay.pipeline.stage import Upstream
from nightbay.refine.result import LooseOverlap

Placed = TypeVar("Placed")


def place(
    cleaned: Sequence[Upstream], leave_out: bool, attempt: Callable[[Sequence[Upstream]], Placed]
) -> tuple[Placed, dict[str, str], list[LooseOverlap]]:
    """What ``attempt`` makes of the segments that can be placed, {segment: reason} of the others, and the evidence on
    these: their loose overlaps.

    ``attempt`` raises ``Unplaced`` for some of the segments that it gets. Without ``leave_out`` this is the end, with a
    sentence that names the segments.
    """
    unplaced: dict[str, str] = {}
    loose: list[LooseOverlap] = []
    while True:
        try:
            placed = attempt([segment for segment in cleaned if segment.segment not in unplaced])
        except Unplaced as error:
            if not leave_out:
                raise _refusal(error, len(cleaned)) from error
            print(f"left out: {listing(sorted(error.reasons))}: {error}")
            unplaced |= error.reasons
            loose += [typed.read(LooseOverlap, entry) for entry in error.evidence.get("loose", [])]
        else:
            return placed, dict(sorted(unplaced.items())), loose


def _refusal(error: Unplaced, count: int) -> Unplaced:
    """The refusal of a part with ``count`` segments. Of two segments neither is to blame, and the reason names both."""
    if count == 2:
        return error
    names = sorted(error.reasons)
    named = f"segment{'s' if len(names) > 1 else ''} {listing(names)} can't be placed: "
    rest = count - len(names)
    others = "the other segment" if rest == 1 else f"the other {plural(rest, '{count} segment', '{count} segments')}"
    hint = f"; unplaced: leave_out in the job sheet makes the model from {others}"
    refusal = Unplaced(error.reasons, error.evidence)
    refusal.args = (named + "; ".join(dict.fromkeys(error.reasons.values())) + hint,)
    return refusal
