"""What intake leaves of one raw export, beside its working cloud."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from nightbay.tracking.result import Tracking


@dataclass(frozen=True)
class Dropped:
    """Points of a raw file that are not in the working cloud: those that the file marks as ``invalid``, and
    ``copies`` with exactly the coordinates of another point."""

    invalid: int
    copies: int


@dataclass(frozen=True)
class IntakeResult:
    """One segment as read; coordinates in the segment frame, mm.

    ``file``: path of the raw export, relative to the day; ``sha256`` and ``bytes`` of its content; ``units`` as
    declared. ``count`` points in the working cloud, their bounds ``low_mm`` and ``high_mm`` (3,), ``origin_mm`` (3,) of
    the cloud's coordinates; ``span_mm``: length along the longest axis without outliers. ``neighbour_distance_mm``:
    median distance of a point to its nearest neighbour; points strewn at random lie half as far from their neighbours
    as their density alone suggests, so this is not the spacing by density that clean gives.

    ``step_mm``: step in which the coordinates come; ``step_outweighs_noise``: rounding to it has a larger
    standard deviation than the scanner's noise. ``normals_filled``: points that took their neighbour's normal;
    ``normals_certainty``: 0..1, how clear the outer side of estimated normals was, None for measured ones. ``colour``:
    the points have one. ``tracking``: whether the run kept its track, and what was done about a slip.
    """

    file: str
    sha256: str
    bytes: int
    units: Literal["mm", "cm", "m", "inch"]
    count: int
    low_mm: np.ndarray
    high_mm: np.ndarray
    origin_mm: np.ndarray
    span_mm: float
    neighbour_distance_mm: float
    step_mm: float
    step_outweighs_noise: bool
    normals: Literal["measured", "estimated"]
    normals_filled: int
    normals_certainty: float | None
    colour: bool
    dropped: Dropped
    tracking: Tracking
