"""What every reader yields: a block of points in the units of its file."""

from dataclasses import dataclass

import numpy as np

MOST = 2_000_000  # points a block: 80 MB with normals and colour, so that memory does not grow with the file


@dataclass(frozen=True)
class Block:
    """Points of a raw export, at most :data:`MOST`.

    ``xyz`` (n, 3) float64 in the file's units; ``normal`` (n, 3) float32 of any length, zero where a point has none, or
    None; ``colour`` (n, 3) uint8 or None; ``first``: number of the block's first point in the file, from 1;
    ``invalid``: points that the file itself marks as invalid, left out here.
    """

    xyz: np.ndarray
    normal: np.ndarray | None = None
    colour: np.ndarray | None = None
    first: int = 1
    invalid: int = 0


def colour_of(values):
    """Colours as (n, 3) uint8 from 8 bit, 16 bit or 0..1 values, told apart by their type and largest value."""
    values = np.asarray(values)
    if values.dtype == np.uint8:
        return values
    if values.dtype.kind == "f" and values.size and values.max() <= 1.0:
        return np.round(np.clip(values, 0, 1) * 255).astype(np.uint8)
    if values.size and values.max() > 255:
        return (values.astype(np.int64) >> 8).clip(0, 255).astype(np.uint8)
    return np.clip(values, 0, 255).astype(np.uint8)
