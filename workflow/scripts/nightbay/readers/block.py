"""What every reader yields: a block of points in the units of its file."""

from dataclasses import dataclass

import numpy as np

MOST = 2_000_000  # points a block: 80 MB with normals and colour, so that memory does not grow with the file


@dataclass(frozen=True)
class Block:
    """Points of a raw export, at most :data:`MOST`.

    ``xyz`` (n, 3) float64 in the file's units; ``normal`` (n, 3) float32 of any length, zero where a point has none, or
    None; ``colour`` (n, 3) uint8 or None; ``first``: number of the block's first point in the file, from 1;
    ``invalid``: points that the file itself marks as invalid, left out here; ``step``: coarsest step of a coordinate
    by the type that the file stores, in its units, 0 where the type says nothing.
    """

    xyz: np.ndarray
    normal: np.ndarray | None = None
    colour: np.ndarray | None = None
    first: int = 1
    invalid: int = 0
    step: float = 0.0


def single_step(xyz):
    """Step of single precision at the typical size of the coordinates, (n, 3); a stray far off does not count."""
    some = np.abs(xyz[:: max(1, len(xyz) // 10_000)])
    typical = np.median(some, axis=0).max() if len(some) else 0.0
    return float(np.spacing(np.float32(typical))) if np.isfinite(typical) else 0.0


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
