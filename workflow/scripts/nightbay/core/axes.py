"""The axis conventions of the vehicle frame: the directions of X and Y."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Axes:
    """An axis convention of the vehicle frame; Z points up in each.

    ``forward``: sign of X towards the vehicle's front; ``left``: sign of Y towards its left side; ``meaning``: the
    convention in words.
    """

    name: str
    forward: int
    left: int
    meaning: str


DESIGN_GRID = Axes("design_grid", -1, -1, "vehicle frame: X rearward, Y right, Z up")
ISO_8855 = Axes("iso_8855", 1, 1, "vehicle frame, ISO 8855: X forward, Y left, Z up")
# The axes of a part that is left as it was scanned have no known meaning. Its ends and sides are named as in the design
# grid.
AS_SCANNED = Axes("as_scanned", -1, -1, "frame of the scan, without meaning")


def axes(name: str) -> Axes:
    """The convention with this name. Raises KeyError for an unknown name."""
    return {known.name: known for known in (DESIGN_GRID, ISO_8855, AS_SCANNED)}[name]
