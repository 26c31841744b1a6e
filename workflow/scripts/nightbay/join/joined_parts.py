"""Points of the interior in the vehicle frame, and how sure they are there."""

from dataclasses import dataclass

import numpy as np

from nightbay.core import axes, rigid
from nightbay.join import pose_fit
from nightbay.join.evidence import Part
from nightbay.join.skin import Skin
from nightbay.uncertainty import budget as uncertainty_budget

X, Y, Z = np.eye(3)


@dataclass(frozen=True)
class JoinedParts:
    """Both parts, their skins ``a`` of the exterior and ``b`` of the interior, and the pose ``T_a_b`` (4, 4) of the
    interior in the vehicle frame with its covariance in ``motion``."""

    exterior: Part
    interior: Part
    a: Skin
    b: Skin
    T_a_b: np.ndarray
    motion: pose_fit.Motion

    @property
    def forward(self) -> float:
        """Sign of the vehicle's X towards its front."""
        return float(axes.axes(self.exterior.frame.axes).forward)

    def carried(self, at_mm: np.ndarray) -> np.ndarray:
        """A point (3,) of the interior's frame in the vehicle's."""
        return rigid.transform(self.T_a_b, at_mm[None])[0]

    def join_sd_mm(self, rows: np.ndarray) -> float:
        """Standard uncertainty from the pose of what changes by ``rows`` (6,) with it."""
        return float(np.sqrt(rows @ self.motion.covariance @ rows))

    def place_budget_mm(self, at_mm: np.ndarray, direction: np.ndarray) -> dict[str, float | None]:
        """Standard uncertainties by cause of where a point (3,) of the interior's frame lies along a ``direction`` (3,)
        of the vehicle's: the join, the poses of both parts' segments, and the distortion of both parts."""
        carried = self.carried(at_mm)
        inner, outer = self.interior, self.exterior
        posed = (
            uncertainty_budget.registration_sd_mm(
                at_mm, self.T_a_b[:3, :3].T @ direction, inner.frame, inner.refine.poses
            ),
            uncertainty_budget.registration_sd_mm(carried, direction, outer.frame, outer.refine.poses),
        )
        distortion = [skin.distortion_sd_mm(at[None])[0] for skin, at in ((self.a, carried), (self.b, at_mm))]
        return {
            "join": self.join_sd_mm(pose_fit.rows(carried[None], direction[None], self.motion.centre_mm)[0]),
            "registration": uncertainty_budget.root_sum(posed),
            "drift": float(np.hypot(*distortion)),
        }

    def scale_budget_mm(self, value_mm: float) -> dict[str, float | None]:
        """What an applied scale of the exterior adds to a length, if there is one."""
        scale = self.exterior.refine.scale
        if not scale.applied or scale.sd is None:
            return {}
        return {"scale": uncertainty_budget.scale_sd_mm(abs(value_mm), scale.sd)}
