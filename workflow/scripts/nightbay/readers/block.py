"""What every reader yields: a block of points in the units of its file."""

from dataclasses import dataclass

import numpy as np

from nightbay.core.errors import Rejected

MOST = 2_000_000  # points a block: 80 MB with normals and colour, whatever the size of the file
HIGHEST_COLOUR = 65535  # of 16 bits


@dataclass(frozen=True)
class Block:
    """Points of a raw export, at most :data:`MOST`.

    ``xyz`` (n, 3) float64 in the file's units; ``normal`` (n, 3) float32 of any length, zero where a point has none, or
    None; ``colour`` (n, 3) uint8 or None; ``first``: number of the block's first point in the file, from 1;
    ``invalid``: number of points that the file itself marks as invalid, which the block leaves out; ``step``: largest
    spacing of the coordinates that the stored type can hold, in the file's units, 0 where the type does not limit it;
    ``time`` (n,) float64 or None: when a point was captured, or in which frame, in any unit.
    """

    xyz: np.ndarray
    normal: np.ndarray | None = None
    colour: np.ndarray | None = None
    first: int = 1
    invalid: int = 0
    step: float = 0.0
    time: np.ndarray | None = None


def single_step(xyz: np.ndarray) -> float:
    """Spacing of single-precision numbers at the typical size of the coordinates, (n, 3), in their units.

    Typical is the median of a sample: an outlier far away does not count. The spacing is 0 where that is not finite.
    """
    sample = np.abs(xyz[:: max(1, len(xyz) // 10_000)])
    typical = np.median(sample, axis=0).max() if len(sample) else 0.0
    return float(np.spacing(np.float32(typical))) if np.isfinite(typical) else 0.0


def normals_of(values: np.ndarray) -> np.ndarray:
    """Normals (n, 3) float32; zero, as where a point has none, for those that are not finite."""
    with np.errstate(over="ignore", invalid="ignore"):
        normal = np.asarray(values).astype(np.float32)
    normal[~np.isfinite(normal).all(axis=1)] = 0
    return normal


def colour_of(values: np.ndarray, name: str) -> np.ndarray:
    """Colours (n, 3) uint8 from 8-bit, 16-bit or 0..1 values; their type and largest value decide which they are.

    ``name``: name of the file in messages. Raises :class:`Rejected` for values that are none of these.
    """
    values = np.asarray(values)
    if values.dtype == np.uint8:
        return values
    wrong = ~((values >= 0) & (values <= HIGHEST_COLOUR))
    if wrong.any():
        raise Rejected(
            f"{name}: a colour is {values[wrong][0]:g}; 0 to 1, to 255 or to {HIGHEST_COLOUR} is allowed: it was "
            "damaged, copy or export it again."
        )
    if values.dtype.kind == "f" and values.size and values.max() <= 1.0:
        return np.round(values * 255).astype(np.uint8)
    if values.size and values.max() > 255:
        return (values.astype(np.int64) >> 8).astype(np.uint8)
    return values.astype(np.uint8)
