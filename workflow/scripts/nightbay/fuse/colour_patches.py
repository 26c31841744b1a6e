"""Colour of segments in small patches of surface: cubic cells of the vehicle frame, for each of six facings.

Two segments that both have points in a cell with the same facing have seen the same surface there. The mean over a
patch has less noise than a point, and does not depend on how the points of two segments fall on a pattern.
"""

from dataclasses import dataclass

import numpy as np

from nightbay.clouds.posed_segment import PosedSegment
from nightbay.core import colour, rigid

MOST_POINTS = 2_000_000  # of a segment that are read: bounds memory to some 300 MB
MOST_PATCHES = 100_000  # about, of a part: more would not make a gain better known than shading lets it be
SPACINGS = 6.0  # points along a patch's edge, of all segments together: some ten for each of three segments
LEAST_POINTS = 6  # of a mean
APART = 0.35  # share of the edge; centres of ten evenly spread points differ by 0.29 * sqrt(2 / 10) = 0.13 on each axis
SATURATED = 250  # byte; five below the highest, as noise and rounding of the export spread a saturated value
BLACK = 20  # byte below which a step of one is more than a sixteenth of the light, and offsets of the sensor count
MOST_SATURATED = 0.1  # share of a patch's points: single specks don't spoil it, and leaving them out does not bias it
PILED = 4.0  # times as many points at a segment's highest byte as at the eight bytes below: saturated before export
LEAST_PILED = 0.002  # share of the points; fewer are specks
FACINGS, AXIS_BITS = 6, 18


@dataclass(frozen=True)
class SegmentPatches:
    """The patches of one segment, in ascending order of ``key``, (n,) int64: cell and facing.

    ``light`` (n, 3): linear light of the mean byte of the points that are not saturated; ``usable`` (n, 3) bool:
    channels that are neither saturated nor black; ``centre_mm`` (n, 3), vehicle frame; ``limit`` (3,): byte from which
    each channel counts as saturated; ``grey``: whether all its colours are greys.
    """

    key: np.ndarray
    light: np.ndarray
    usable: np.ndarray
    centre_mm: np.ndarray
    limit: np.ndarray
    grey: bool


@dataclass(frozen=True)
class Overlap:
    """Patches that two segments have both seen, (m,) of them; numbers ``a`` < ``b`` of the segments.

    ``light_a``, ``light_b`` (m, 3) linear light, and ``centre_mm`` (m, 3); of the patches usable in all three channels
    of both. ``left_out``: number of the others. ``grey``: one of the two is grey, only luminances can be compared.
    """

    a: int
    b: int
    light_a: np.ndarray
    light_b: np.ndarray
    centre_mm: np.ndarray
    left_out: int
    grey: bool

    def __len__(self) -> int:
        return len(self.centre_mm)


def edge_mm(count: int, spacing_mm: float, sources: list[PosedSegment]) -> float:
    """Edge of the patches of a part with ``count`` points ``spacing_mm`` apart."""
    step = max((-(-len(source.cloud) // MOST_POINTS) for source in sources), default=1)
    return max(SPACINGS * spacing_mm * step**0.5, spacing_mm * (count / MOST_PATCHES) ** 0.5)


def of_segment(source: PosedSegment, patch_mm: float) -> SegmentPatches:
    """The patches of a segment that has colours and normals."""
    cloud = source.cloud.sample(MOST_POINTS)
    assert cloud.colour is not None and cloud.normal is not None
    limit = saturation_limit(cloud.colour)
    key, xyz_mm = _keys(source, cloud.xyz_mm, cloud.normal, patch_mm)
    used, patch, count = np.unique(key, return_inverse=True, return_counts=True)
    centre_mm = _means(patch, xyz_mm, count)
    good = cloud.colour < limit
    left = np.column_stack([np.bincount(patch, good[:, k], len(used)) for k in range(3)])
    # the mean of the bytes, whose noise is even: light is a curved function of them, and its mean would grow with the
    # noise by another share in a dark export than in a bright one
    light = colour.light_of(_sums(patch, cloud.colour * good) / np.maximum(left, 1))
    usable = (count[:, None] - left <= MOST_SATURATED * count[:, None]) & (light >= colour.light_of(np.array(BLACK)))
    kept = count >= LEAST_POINTS
    grey = bool((cloud.colour == cloud.colour[:, :1]).all())
    return SegmentPatches(used[kept], light[kept], usable[kept], centre_mm[kept], limit, grey)


def saturation_limit(colours: np.ndarray) -> np.ndarray:
    """Byte from which each channel of ``colours``, (n, 3) uint8, counts as saturated, (3,).

    It is :data:`SATURATED`, or lower where the points pile up at the highest byte that occurs: an export whose colours
    were darkened after the camera had saturated.
    """
    limits = np.full(3, SATURATED)
    for channel in range(3):
        count = np.bincount(colours[:, channel], minlength=256)
        highest = int(np.flatnonzero(count)[-1]) if len(colours) else 255
        below = count[max(highest - 8, 0) : highest]
        piled = count[highest] > PILED * max(below.mean() if len(below) else 0.0, 1.0)
        several = np.count_nonzero(count) > 8  # a plain surface without noise has a single value and is not saturated
        if piled and several and count[highest] > LEAST_PILED * len(colours):
            limits[channel] = min(SATURATED, highest)
    return limits


def overlap_of(a: int, b: int, patches: dict[int, SegmentPatches], patch_mm: float) -> Overlap:
    """The :class:`Overlap` of the segments numbered ``a`` and ``b``."""
    first, second = patches[a], patches[b]
    _, at_a, at_b = np.intersect1d(first.key, second.key, assume_unique=True, return_indices=True)
    near = np.linalg.norm(first.centre_mm[at_a] - second.centre_mm[at_b], axis=1) <= APART * patch_mm
    at_a, at_b = at_a[near], at_b[near]
    usable = (first.usable[at_a] & second.usable[at_b]).all(axis=1)
    light_a, light_b = first.light[at_a[usable]], second.light[at_b[usable]]
    left_out = int((~usable).sum())
    return Overlap(a, b, light_a, light_b, first.centre_mm[at_a[usable]], left_out, first.grey or second.grey)


def _keys(
    source: PosedSegment, xyz_mm: np.ndarray, normal: np.ndarray, patch_mm: float
) -> tuple[np.ndarray, np.ndarray]:
    """Key of each point's patch, (n,) int64, and the points in the vehicle frame, (n, 3)."""
    T = source.T_frame_cloud
    xyz, outward = rigid.transform(T, xyz_mm), rigid.rotate(T, normal)
    axis = np.abs(outward).argmax(axis=1)
    facing = 2 * axis + (np.take_along_axis(outward, axis[:, None], axis=1)[:, 0] < 0)
    cell = np.floor(xyz / patch_mm).astype(np.int64) + 2 ** (AXIS_BITS - 1)
    flat = (((cell[:, 0] << AXIS_BITS) + cell[:, 1]) << AXIS_BITS) + cell[:, 2]
    return flat * FACINGS + facing, xyz


def _sums(patch: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Sum of ``values``, (n, 3), over each patch, (m, 3)."""
    return np.column_stack([np.bincount(patch, values[:, k]) for k in range(3)])


def _means(patch: np.ndarray, values: np.ndarray, count: np.ndarray) -> np.ndarray:
    return _sums(patch, values) / count[:, None]
