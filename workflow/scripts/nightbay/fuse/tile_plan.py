"""The plan of a fusion: the tiles of the vehicle grid that points reach, and how far apart the points lie."""

from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from nightbay.clouds.posed_segment import PosedSegment
from nightbay.core.errors import Rejected
from nightbay.core.rigid import transform
from nightbay.fuse import dual_contouring, signed_distance, tile_points

TILE_CELLS = 128  # along a tile's edge; memory of a tile grows with it, points read twice shrink with it
BLOCK_CELLS = 16  # along the edge of the blocks in which the points are counted before the tiles are chosen
# Area of a surface in a block that it crosses: mean over positions and directions, cells squared.
BLOCK_AREA = 0.9 * BLOCK_CELLS**2
# 0.8 GB of counts. A coach at 1 mm has 40 million; at 2 mm, outliers 19 m away on all sides reach the limit.
MOST_BLOCKS = 200_000_000
LONGEST_REACH = 4.0  # grid units; points that are too sparse for this reach do not support the resolution


@dataclass(frozen=True)
class Parameters:
    """The parameters that the tiles need: of the section fuse of the settings, and two lengths of the section scan."""

    resolution_mm: float
    noise_mm: float
    smoothing: float
    sparse_reach: float
    overhang: float
    crease_deg: float
    agreement: float
    undecided_weight: float

    @staticmethod
    def of(settings: Any) -> "Parameters":
        """From the settings of the stage."""
        own = {
            field.name: getattr(settings.fuse, field.name)
            for field in fields(Parameters)
            if not field.name.endswith("_mm")
        }
        return Parameters(settings.scan.resolution_mm, settings.scan.noise_mm, **own)


@dataclass(frozen=True)
class Plan:
    """All that a tile is computed from, apart from the clouds; it can be sent to another process.

    ``tiles`` (n, 3) int64, in ascending order; ``spacing``: median of the points of all segments together, grid units;
    ``longest``: greatest reach of a point in its tangent plane, grid units; ``count`` of the points.
    """

    parameters: Parameters
    tiles: np.ndarray
    spacing: float
    longest: float
    count: int

    @property
    def halo(self) -> int:
        """Number of cells beyond a tile whose points the tile needs."""
        return (
            int(np.ceil(np.hypot(self.longest, signed_distance.BAND) + dual_contouring.MARGIN))
            + signed_distance.DENSITY_BLOCK
            + 1
        )


def plan_tiles(sources: list[PosedSegment], parameters: Parameters) -> Plan:
    """Count the points in blocks and choose the tiles.

    Raises Rejected if there are no points, or if they lie too far apart for any vehicle.
    """
    if not sources:
        raise Rejected("no segment of the part has a point left after cleaning: check the parameters of clean")
    low, counts = _count_points(sources, parameters.resolution_mm)
    spacing = _median_spacing(counts)
    longest = float(np.clip(parameters.sparse_reach * spacing, parameters.smoothing, LONGEST_REACH))
    pad = int(np.ceil(np.hypot(longest, signed_distance.BAND))) + 1
    block_low = (np.argwhere(counts > 0) + low) * BLOCK_CELLS
    bounds = [(block_low - pad) // TILE_CELLS, (block_low + BLOCK_CELLS + pad) // TILE_CELLS]
    touched = [np.column_stack([bounds[(c >> k) & 1][:, k] for k in range(3)]) for c in range(8)]
    tiles = np.unique(np.concatenate(touched), axis=0)
    return Plan(parameters, tiles, spacing, longest, int(counts.sum(dtype=np.int64)))


def _count_points(sources: list[PosedSegment], resolution_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Index of the lowest block, (3,) int64, and the number of points in each block, (a, b, c) int32."""
    poses = [tile_points.grid_pose(source, resolution_mm) for source in sources]
    corners = np.concatenate([_bounds(source, pose) for source, pose in zip(sources, poses, strict=True)])
    low = np.floor(corners.min(axis=0) / BLOCK_CELLS).astype(np.int64) - 1
    shape = np.ceil(corners.max(axis=0) / BLOCK_CELLS).astype(np.int64) + 2 - low
    if np.prod(shape.astype(np.float64)) > MOST_BLOCKS:
        extent_m = np.ptp(corners, axis=0) * resolution_mm / 1000
        raise Rejected(
            f"the segments together span {extent_m[0]:.1f} x {extent_m[1]:.1f} x {extent_m[2]:.1f} m, too far for"
            f" {resolution_mm} mm: check the poses and the outliers that clean left"
        )
    counts = np.zeros(shape, np.int32)
    for source, pose in zip(sources, poses, strict=True):
        for block in source.cloud.blocks():
            cell, offset = np.empty((len(block), 3), np.int32), np.empty((len(block), 3), np.float32)
            tile_points.to_grid(block.xyz_mm, pose, cell, offset)
            tile_points.count_in_blocks(cell, BLOCK_CELLS, low, counts)
    return low, counts


def _bounds(source: PosedSegment, pose: np.ndarray) -> np.ndarray:
    """Corners of the box about a source's points, (8, 3) grid units."""
    tiles = source.cloud.tiles
    return transform(pose, tile_points.box_corners(tiles["low_mm"].min(axis=0), tiles["high_mm"].max(axis=0)))


def _median_spacing(counts: np.ndarray) -> float:
    """Spacing of the points in the block of the median point (not the median block), grid units."""
    occupied = counts[counts > 0]
    order = np.argsort(occupied)
    middle = np.searchsorted(np.cumsum(occupied[order]), occupied.sum() / 2)
    return float(np.sqrt(BLOCK_AREA / occupied[order[middle]]))
