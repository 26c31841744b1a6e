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
