"""The segments of a part as the stage refine works on them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from nightbay.clouds.cloud import CloudFile
from nightbay.clouds.posed_segment import PosedSegment
from nightbay.core import rigid
from nightbay.refine import overlap, segment_size

# Radii of a disc and edges of a patch that the largest segment is wide, at least: what a body's side of 2.5 m has with
# discs of 30 mm and patches of 400 mm.
DISCS, PATCHES = 75.0, 6.0
CENTROID_SAMPLE = 20_000  # points of a segment that its centroid is computed from


@dataclass(frozen=True)
class Sizes:
    """Sizes of what is compared, mm: the spacing of the points of the sparsest cloud, the radius of a disc, the edge of
    a patch, the edge of a cell of the thinned segments, how far in front of a surface the scanner looked through, and
    how far apart the surfaces of a registration by surfaces may lie, standard deviation."""

    spacing_mm: float
    disc_radius_mm: float
    patch_mm: float
    cell_mm: float
    clear_mm: float
    registration_sd_most_mm: float


def sizes(clouds: Sequence[CloudFile], settings: Any) -> Sizes:
    """The sizes for these clouds; ``settings`` of the stage.

    A disc has a radius of two spacings of the sparsest cloud at least, so that it holds 12 points. The settings are for
    vehicles: on something smaller, all sizes follow from the width of its largest segment.
    """
    own = settings.refine
    spacing_mm = max(overlap.spacing_mm(cloud) for cloud in clouds)
    widest_mm = max(segment_size.width_mm(cloud, spacing_mm) for cloud in clouds)
    return Sizes(
        spacing_mm=spacing_mm,
        disc_radius_mm=max(min(own.disc_radius_mm, widest_mm / DISCS), 2 * spacing_mm),
        patch_mm=min(own.patch_mm, widest_mm / PATCHES),
        cell_mm=max(min(own.coarse_mm, widest_mm / segment_size.CELLS), segment_size.LEAST_SPACINGS * spacing_mm),
        clear_mm=segment_size.clear_mm(widest_mm),
        registration_sd_most_mm=max(min(own.registration_sd_most_mm, widest_mm / DISCS), spacing_mm),
    )


@dataclass(frozen=True)
class Part:
    """The segments of a part in their start poses in the control frame, in the order of their names.

    ``covariance`` of a segment is that of its target pose, zero for the segment that holds the frame, None for a
    segment without targets. ``has_targets`` (s,) bool. ``turned`` {segment: (n,) bool}: estimated normals that were
    turned over for the fit.
    """

    segments: Sequence[PosedSegment]
    has_targets: np.ndarray
    sizes: Sizes
    turned: Mapping[str, np.ndarray] = field(default_factory=dict)

    @property
    def names(self) -> list[str]:
        """The segments' names."""
        return [segment.name for segment in self.segments]

    @property
    def clouds(self) -> list[CloudFile]:
        """The segments' working clouds."""
        return [segment.cloud for segment in self.segments]

    @property
    def start(self) -> list[np.ndarray]:
        """Start poses ``T_control_segment``, (4, 4) each."""
        return [segment.T_frame_segment for segment in self.segments]

    @property
    def free(self) -> np.ndarray:
        """Segments that may move, (s,) bool: all but those whose pose has no covariance, which hold the frame."""
        return np.array(
            [segment.covariance is None or bool(np.trace(segment.covariance) > 0) for segment in self.segments]
        )

    @property
    def centroids_mm(self) -> np.ndarray:
        """Centroids of the segments' points in the start poses, (s, 3) in the control frame."""
        return np.array([centroid_mm(segment.cloud, segment.T_frame_segment) for segment in self.segments])

    @property
    def arms_mm(self) -> dict[str, float]:
        """Distance of each segment's farthest points from its centroid, mm, {segment: 95th percentile}."""
        arms = {}
        for segment in self.segments:
            xyz_mm = segment.cloud.sample(CENTROID_SAMPLE).xyz_mm.astype(np.float64)
            away_mm = np.linalg.norm(xyz_mm - xyz_mm.mean(axis=0), axis=1) if len(xyz_mm) else np.zeros(1)
            arms[segment.name] = float(np.percentile(away_mm, 95))
        return arms


def centroid_mm(cloud: CloudFile, T_control_segment: np.ndarray) -> np.ndarray:
    """Mean of a segment's points, (3,) in the control frame."""
    sample = cloud.sample(CENTROID_SAMPLE).xyz_mm.astype(np.float64) + cloud.origin_mm
    return rigid.transform(T_control_segment, sample.mean(axis=0)[None])[0]
