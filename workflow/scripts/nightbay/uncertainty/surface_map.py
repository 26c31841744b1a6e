"""The standard uncertainty of a measured surface along its normal, point by point and by cause."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from nightbay.frame.result import FrameResult
from nightbay.uncertainty import registration
from nightbay.uncertainty.registration import Registration


@dataclass(frozen=True)
class SurfacePoints:
    """Some vertices of a surface in the vehicle frame: ``points_mm`` (n, 3), unit ``normals`` (n, 3), ``area_mm2``
    (n,) that each stands for, 0 where it was filled; ``count`` and ``spread_mm``, (n,), of the points averaged
    there, None where the surface does not carry them."""

    points_mm: np.ndarray
    normals: np.ndarray
    area_mm2: np.ndarray
    count: np.ndarray | None
    spread_mm: np.ndarray | None


@dataclass(frozen=True)
class SurfaceUncertainty:
    """Standard uncertainties along the normal, (n,) mm each, NaN where not known: of ``noise``, ``registration`` and
    ``drift``, of their sum ``shape``, and of the vehicle ``frame``, which counts only for coordinates in that frame."""

    noise: np.ndarray
    registration: np.ndarray
    drift: np.ndarray
    frame: np.ndarray

    @property
    def shape(self) -> np.ndarray:
        """Of the surface's shape and size, whatever frame it stands in."""
        return np.sqrt(self.noise**2 + self.registration**2 + self.drift**2)

    @property
    def in_vehicle(self) -> np.ndarray:
        """Of coordinates in the vehicle frame."""
        return np.sqrt(self.shape**2 + self.frame**2)


def of(surface: SurfacePoints, poses: Registration, frame: FrameResult, scan: Any) -> SurfaceUncertainty:
    """The :class:`SurfaceUncertainty` of a surface; ``scan``: settings of the scan.

    - noise: the spread of the points over the root of their effective count, at least that of a point on paint;
    - registration: the poses of the segments that may have measured the point, and no less than what their overlaps
      show where these were withheld from the fit: a residual is no accuracy, but it is a lower bound of it;
    - drift: the survey's growth of error over the distance from the middle of the surface, where a best fit to the
      true surface turns and shifts it to: there it is zero;
    - frame: position and rotation of the zero planes, unknown where any of them is kept as scanned.
    """
    known = np.where(surface.area_mm2 > 0.0, 0.0, np.nan)
    noise = np.full(len(known), float(scan.noise_mm))
    if surface.count is not None and surface.spread_mm is not None:
        count = np.maximum(surface.count.astype(np.float64), 1.0)
        noise = np.fmax(surface.spread_mm.astype(np.float64), scan.noise_mm) / np.sqrt(count)
    total = surface.area_mm2.sum()
    middle = surface.area_mm2 @ surface.points_mm / total if total > 0.0 else np.zeros(3)
    apart = np.linalg.norm(surface.points_mm - middle, axis=1)
    shown = poses.seen(surface.points_mm)
    posed = registration.point_sd_mm(surface.points_mm, surface.normals, poses, shown)
    overlaps = np.where(shown, poses.overlap_sd_mm, 0.0).max(axis=1, initial=0.0)
    return SurfaceUncertainty(
        noise=noise + known,
        registration=np.maximum(posed, overlaps) + known,
        drift=scan.target_drift_mm_per_m * apart / 1000.0 + known,
        frame=frame_sd_mm(surface.points_mm, surface.normals, frame) + known,
    )


def frame_sd_mm(points_mm: np.ndarray, directions: np.ndarray, frame: FrameResult) -> np.ndarray:
    """Standard uncertainty, (n,) mm, of points (n, 3) along unit ``directions`` (n, 3) from the vehicle frame alone;
    NaN where one of its zero planes is kept as scanned."""
    planes = [frame.zero_planes[axis].sd_mm for axis in "xyz"]
    turns = [frame.rotation_sd_deg[axis] for axis in "xyz"]
    if any(value is None for value in (*planes, *turns)):
        return np.full(len(points_mm), np.nan)
    sd = np.concatenate([np.radians(np.array(turns, float)), np.array(planes, float)])
    return np.sqrt((registration.moves(points_mm, directions) ** 2 @ sd[:, None] ** 2)[:, 0])
