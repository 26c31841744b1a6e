"""The space that a wheel takes up: what lies in it belongs to the wheel, and moves with the ground and not the body."""

from dataclasses import dataclass, replace

import numpy as np

BEYOND = 1.02  # times the radius: an arch begins further out (as frame's search for wheels has it)
INNER_MM, OUTER_MM = 320.0, 30.0  # along the axle from the outer face: widest single tyre; a hub beyond the tyre
HALF_TYRE_MM = 100.0
MIDDLE_MM = 150.0  # along the axle to either side of the centre, of a wheel in the middle of the vehicle


@dataclass(frozen=True)
class WheelZone:
    """A cylinder round a wheel in some frame: ``centre_mm`` (3,) where the axle meets the tyre's outer side face,
    ``axle`` (3,) unit, outward; ``radius_mm`` of the tyre; how far it reaches along the axle, ``inner_mm`` inwards and
    ``outer_mm`` outwards."""

    centre_mm: np.ndarray
    axle: np.ndarray
    radius_mm: float
    inner_mm: float = INNER_MM
    outer_mm: float = OUTER_MM

    @property
    def middle_mm(self) -> np.ndarray:
        """About the middle of the tyre, (3,)."""
        return self.centre_mm if self.inner_mm == self.outer_mm else self.centre_mm - HALF_TYRE_MM * self.axle

    def risen(self, rise_mm: float, margin: float) -> "WheelZone":
        """The zone where it stands higher by ``rise_mm``, its radius larger by a factor ``margin``."""
        return replace(
            self, centre_mm=self.centre_mm + np.array([0.0, 0.0, rise_mm]), radius_mm=self.radius_mm * margin
        )

    def holds(self, points_mm: np.ndarray) -> np.ndarray:
        """Which points (n, 3) lie in the zone, (n,) bool."""
        off = points_mm - self.centre_mm
        along = off @ self.axle
        across = np.sum(off**2, axis=1) - along**2
        return (along > -self.inner_mm) & (along < self.outer_mm) & (across < (BEYOND * self.radius_mm) ** 2)

    def box(self) -> tuple[np.ndarray, np.ndarray]:
        """Bounds (3,), (3,) of the zone along the frame's axes."""
        ends = self.centre_mm + np.outer([-self.inner_mm, self.outer_mm], self.axle)
        reach = BEYOND * self.radius_mm * np.sqrt(np.maximum(1.0 - self.axle**2, 0.0))
        return ends.min(axis=0) - reach, ends.max(axis=0) + reach
