"""The axis conventions of the vehicle frame: which way X and Y point, in one place."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Axes:
    """An axis convention of the vehicle frame; Z points up in each.

    ``forward``: sign of X of what lies ahead; ``left``: sign of Y of what lies on the vehicle's left; ``meaning``: the
    convention in words.
    """

    name: str
    forward: int
    left: int
    meaning: str


DESIGN_GRID = Axes("design_grid", -1, -1, "vehicle frame: X rearward, Y right, Z up")
ISO_8855 = Axes("iso_8855", 1, 1, "vehicle frame, ISO 8855: X forward, Y left, Z up")
# Nothing is known of the axes of a part that is left as it was scanned: its ends and sides are named as if they were
# those of the design grid.
AS_SCANNED = Axes("as_scanned", -1, -1, "frame of the scan, without meaning")


def axes(name: str) -> Axes:
    """The convention of a name; KeyError for a name that is none."""
    return {known.name: known for known in (DESIGN_GRID, ISO_8855, AS_SCANNED)}[name]
