"""The part that is measured: its surface in the vehicle frame, with settings, poses and scale."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from nightbay.core import axes
from nightbay.core.axes import Axes
from nightbay.frame.result import FrameResult
from nightbay.measure import tangent_planes
from nightbay.measure.tangent_planes import Touch
from nightbay.meshes.surface import Surface
from nightbay.refine.result import RefinedPose, Scale
from nightbay.uncertainty import budget


@dataclass(frozen=True)
class Body:
    """A surface in the vehicle frame, mm.

    ``areas`` (n,) mm2 of measured surface of each vertex; ``noise_mm`` (n,): standard deviation of the points about it;
    ``support_mm2``, see :func:`nightbay.measure.tangent_planes.support_of`; ``options`` and ``scan``: settings of
    measure and of the scan; ``frame``; the ``poses`` of the segments and the ``scale`` of all lengths, from refine.
    """

    surface: Surface
    areas: np.ndarray
    noise_mm: np.ndarray
    support_mm2: float
    options: Any
    scan: Any
    frame: FrameResult
    poses: dict[str, RefinedPose]
    scale: Scale

    @property
    def vertices_mm(self) -> np.ndarray:
        """The surface's vertices, (n, 3) float32."""
        return self.surface.vertices_mm

    @property
    def axes(self) -> Axes:
        """The axis convention of the vehicle frame."""
        return axes.axes(self.frame.axes)

    def touch(self, direction: np.ndarray, areas: np.ndarray | None = None) -> Touch | None:
        """The plane that touches the body in a ``direction``, (3,) unit; None without enough surface.

        ``areas`` (n,) instead of the body's own: zero where a vertex does not count.
        """
        areas = self.areas if areas is None else areas
        return tangent_planes.touch(self.vertices_mm, areas, direction, self.support_mm2, self.noise_mm)

    def end_budget_mm(self, end: Touch) -> dict[str, float | None]:
        """Standard uncertainties of an end by cause: the scatter about it, its shape, the vertices' spacing."""
        noise_mm = budget.surface_sd_mm(self.surface, end.rows, self.scan.noise_mm)
        return {
            "noise": noise_mm if end.fit_sd_mm is None else end.fit_sd_mm,
            "support": budget.rectangular_sd_mm(end.half_width_mm),
            "resolution": budget.rectangular_sd_mm(end.resolution_mm),
        }
