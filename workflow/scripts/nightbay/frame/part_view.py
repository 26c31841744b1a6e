"""A part as the stage frame uses it: its evenly thinned points, and how well its segments are registered."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from nightbay.clouds.posed import PosedClouds
from nightbay.core import rigid
from nightbay.frame.result import Bounds


@dataclass(frozen=True)
class PartView:
    """A part as the stage frame uses it, in the control frame.

    ``clouds``: every point; ``points_mm`` (n, 3) with unit ``normals`` (n, 3), evenly thinned, and the row of each
    point's ``segment`` (n,) in ``clouds.names``; ``options``: the settings of frame; ``drift_mm_per_m`` of the survey;
    ``threads``.
    """

    clouds: PosedClouds
    points_mm: np.ndarray
    normals: np.ndarray
    segment: np.ndarray
    options: Any
    drift_mm_per_m: float
    threads: int

    @property
    def names(self) -> list[str]:
        """The segments' names in the order of their rows."""
        return self.clouds.names

    def bounds(self, T_vehicle_control: np.ndarray) -> dict[str, Bounds]:
        """Bounds in the vehicle frame of each segment that has points."""
        posed = rigid.transform(T_vehicle_control, self.points_mm)
        points = {name: posed[self.segment == row] for row, name in enumerate(self.names)}
        return {name: Bounds(mine.min(axis=0), mine.max(axis=0)) for name, mine in points.items() if len(mine)}

    def registration_sd(self, direction: np.ndarray) -> tuple[float, float] | tuple[None, None]:
        """Standard uncertainties of the part's mean position along ``direction``, (3,) unit, mm, and rotation, rad.

        It combines the poses' covariances, each weighted by the segment's share of the points, with the survey's drift
        over the points' rms distance from the part's middle. None, None where a pose has no covariance.
        """
        off = self.points_mm - self.points_mm.mean(axis=0)
        reach = float(np.sqrt(np.linalg.eigvalsh(off.T @ off / len(off))[-1]))
        variance = (self.drift_mm_per_m * reach / 1000.0) ** 2
        for row, segment in enumerate(self.clouds.segments):
            mine = self.points_mm[self.segment == row]
            covariance = segment.covariance
            if covariance is None:
                return None, None
            if len(mine):
                moves = np.concatenate([np.cross(mine.mean(axis=0), direction), direction])
                variance += (len(mine) / len(self.points_mm)) ** 2 * float(moves @ covariance @ moves)
        return float(np.sqrt(variance)), float(np.sqrt(variance)) / reach
