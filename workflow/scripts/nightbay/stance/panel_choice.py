"""Which segments a panel that stood differently is taken from: the largest set of segments that saw it alike."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from nightbay.stance.cells import CELL_MM
from nightbay.stance.panels import Panel, Scan, extent

SAME_SHARE = 0.3  # of the smaller panel's cells that two pairs of segments share: one panel


@dataclass(frozen=True)
class ChosenPanel:
    """A ``panel`` between a segment that is used, its number ``used``, and one that is not, ``left_out``; ``turned``:
    whether the panel's second segment is the one that is used, so that its distances count the other way; ``decided``:
    no other set of segments is as large; ``named``: the job sheet names a segment that saw it."""

    panel: Panel
    used: int
    left_out: int
    turned: bool
    decided: bool
    named: bool


def choose(panels: Sequence[Panel], scans: Sequence[Scan], named: int | None) -> list[ChosenPanel]:
    """The choice for each panel; ``named``: the segment that the job sheet names."""
    found = []
    for group in _groups(panels):
        seen = np.array([extent(scans, panel) for panel in group]).max(axis=0)
        against = {(panel.first, panel.second) for panel in group}
        members = sorted({number for pair in against for number in pair})
        sets = [
            set(some)
            for size in range(len(members), 0, -1)
            for some in combinations(members, size)
            if not any(pair in against for pair in combinations(some, 2))
        ]
        if named in members:
            sets = [some for some in sets if named in some]
        sets.sort(key=lambda some: (-len(some), -sum(seen[number] for number in some), sorted(some)))
        best = sets[0]
        decided = sum(len(some) == len(best) for some in sets) == 1
        for panel in group:
            if (panel.first in best) != (panel.second in best):
                turned = panel.second in best
                pair = (panel.second, panel.first) if turned else (panel.first, panel.second)
                found.append(ChosenPanel(panel, *pair, turned, decided, named in members))
    return found


def _groups(panels: Sequence[Panel]) -> list[list[Panel]]:
    """Panels that lie in the same place, each group from the largest."""
    groups: list[list[Panel]] = []
    for panel in panels:
        for group in groups:
            if any(_shared(panel, other) > SAME_SHARE for other in group):
                group.append(panel)
                break
        else:
            groups.append([panel])
    return groups


def _shared(panel: Panel, other: Panel) -> float:
    """Share of the smaller panel that lies in the other."""
    small, large = sorted((panel, other), key=lambda each: len(each.cells))
    return float(large.holds((small.cells + 0.5) * CELL_MM).mean())
