"""What is found about the track of a capture run."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

# Why a piece after a slip is not moved.
ONLY_NOTED = "parameter intake.split_slips is note"
UNDETERMINED = "the surface that both pieces show does not determine the motion in all directions"
NOT_RIGID = "no rigid motion brings both pieces onto each other"
OTHER_STAYS = "another piece of this run has no certain place"


@dataclass(frozen=True)
class Slip:
    """A loss of track: from one moment on, all points of the run are displaced by one rigid motion.

    ``at_share`` of the points come before it; ``at_point``: number of the first displaced point in the order of
    capture, from 1; ``at_time``: its value in the time column, None without one. ``shift_mm`` and ``rotation_deg``: the
    displacement of what was in view at that moment, with the standard deviations ``shift_sd_mm`` and
    ``rotation_sd_deg`` along it. ``T_segment_later`` (4, 4) moves the points from this slip to the next to the place
    where the first piece has them; ``covariance`` (6, 6) of the motion of this slip alone (rotation vector in rad about
    the origin of the segment frame, then translation in mm). ``squared_mahalanobis`` against ``threshold``: how far the
    slip is beyond noise and drift. ``residual_mm``: root mean square of the distances between the pieces after the fit.
    ``moved``: the later piece is moved; ``reason`` why not, None where it is. Where that is :data:`NOT_RIGID`, moment
    and displacement are those of a fit that does not hold: a slip of more than links reach, or a run that bends.
    """

    at_share: float
    at_point: int
    at_time: float | None
    shift_mm: float
    shift_sd_mm: float
    rotation_deg: float
    rotation_sd_deg: float
    T_segment_later: np.ndarray
    covariance: np.ndarray
    squared_mahalanobis: float
    threshold: float
    residual_mm: float
    moved: bool
    reason: str | None


@dataclass(frozen=True)
class Tracking:
    """Whether a run kept its track.

    ``order``: what gives the order of capture, a time column or the file's own order, None where the export keeps none.
    ``not_tested``: why nothing was tested, None where it was. ``testable_share``: share of the run's moments at which a
    slip would show, because the surface that came before was seen again after. ``detectable_mm``: a shift of that size
    in its least favourable direction is found in half of all cases, at the median of these moments; None where nothing
    was tested. ``slips`` in their order in time.
    """

    order: Literal["time", "file"] | None
    not_tested: str | None
    testable_share: float
    detectable_mm: float | None
    slips: list[Slip]
