"""Blends the colours of segments on the vertices without seams.

A seam shows where a segment ends and its colour still differs from the others'. So its weight falls to zero towards the
place where it ends and another segment goes on. That place is the nearest point of another segment that has no point of
its own near; the boundary of the vehicle, where nothing goes on, is none.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from nightbay.clouds.posed_segment import PosedSegment
from nightbay.core import colour, rigid, thinning
from nightbay.fuse.colour_gains import Gains
from nightbay.fuse.colour_match import Matched
from nightbay.fuse.colour_patches import MOST_POINTS

SPACINGS = 3.0  # distance of the thinned points, in points' own: each then has several of every segment around it
ALONE = 2.0  # thinned distances; farther than that from all points of a segment, the segment has ended
LEAST_SHARE = 1e-4  # of a segment at its end: it still counts where nothing else is left
SATURATED_SHARE = 0.001  # of a saturated point: it counts where no other point has seen the surface


@dataclass(frozen=True)
class Blend:
    """All that the tiles need to mix colours; it can be sent to another process.

    ``light`` (s, 3, 256) float32: linear light of each byte of each channel of each of s segments, after its gains;
    ``trust`` (s, 3, 256) float32: weight of a point with that byte; ``gains``: for the gradients; ``ends``: by number
    of the segment, the tree of points where it has ended, vehicle frame, mm; ``width_mm``, over which its weight falls,
    and ``ended_mm``: distance to those points at which it has ended.
    """

    light: np.ndarray
    trust: np.ndarray
    gains: Gains
    ends: Mapping[int, cKDTree]
    width_mm: float
    ended_mm: float

    def at(self, xyz_mm: np.ndarray, segments: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Share and factor of the light, (n, s) float32 each, of every segment at positions (n, 3), vehicle frame.

        Only the columns of ``segments``, (k,) int, are computed; the others are 1.
        """
        share, factor = (np.ones((len(xyz_mm), len(self.light)), np.float32) for _ in range(2))
        for number in segments.tolist():
            factor[:, number] = self.gains.shading(number, xyz_mm)
            if number in self.ends:
                reach = self.ended_mm + self.width_mm
                distance, _ = self.ends[number].query(xyz_mm, distance_upper_bound=reach)
                ramp = np.clip((np.minimum(distance, reach) - self.ended_mm) / self.width_mm, 0.0, 1.0)
                share[:, number] = np.maximum(ramp * ramp * (3 - 2 * ramp), LEAST_SHARE)
        return share, factor


def plan(sources: list[PosedSegment], matched: Matched, spacing_mm: float, width_mm: float) -> Blend:
    """The :class:`Blend` of segments ``sources`` whose points lie ``spacing_mm`` apart."""
    gain = np.exp(matched.gains.log)
    light = gain[:, :, None] * colour.light_of(np.arange(256))
    trust = np.where(np.arange(256) < matched.limit[:, :, None], 1.0, SATURATED_SHARE)
    coloured = {
        number: source.cloud.sample(MOST_POINTS)
        for number, source in enumerate(sources)
        if "colour" in source.cloud.attributes
    }
    step = max((-(-len(sources[number].cloud) // MOST_POINTS) for number in coloured), default=1)
    thinned_mm = SPACINGS * spacing_mm * step**0.5
    points = {}
    for number, cloud in coloured.items():
        xyz_mm = rigid.transform(sources[number].T_frame_cloud, cloud.xyz_mm)
        points[number] = xyz_mm[thinning.thin(xyz_mm, thinned_mm)]
    ended_mm = ALONE * thinned_mm
    ends = _ends(points, ended_mm, width_mm)
    return Blend(light.astype(np.float32), trust.astype(np.float32), matched.gains, ends, width_mm, ended_mm)


def _ends(points: Mapping[int, np.ndarray], ended_mm: float, width_mm: float) -> dict[int, cKDTree]:
    """Tree of the points, (m, 3), where each segment has ended and another goes on; segments without any are left out.

    Points farther from the segment than its weight reaches are not needed.
    """
    trees = {number: cKDTree(own) for number, own in points.items()} if len(points) > 1 else {}
    ends = {}
    for number, tree in trees.items():
        others = np.concatenate([own for other, own in points.items() if other != number])
        distance, _ = tree.query(others, distance_upper_bound=2 * ended_mm + width_mm)
        beyond = others[(distance > ended_mm) & np.isfinite(distance)]
        if len(beyond):
            ends[number] = cKDTree(beyond)
    return ends
