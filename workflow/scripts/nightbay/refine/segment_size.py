"""How large a segment is, and the distances at which segments without targets are compared, which follow from that."""

import numpy as np

from nightbay.refine.merged_cloud import SampledCloud

SAMPLE = 100_000  # points of a segment that its area is computed from
BOXES = 50.0  # boxes along the diagonal of a segment's bounds
CROSSED = 1.5  # boxes that a plane crosses for each of its areas of a box's side, mean over all directions
CELLS = 50.0  # cells that a segment is wide: some 2,500 of them show its shape
FINE_CELLS = 120.0  # finer cells, in which poses are judged
LEAST_SPACINGS, FINE_SPACINGS, FINEST_SPACINGS = 3.0, 2.0, 1.25  # of the points, at least: a cell holds nine, four, two
MOST_CELLS = 250.0  # cells that the larger of two segments is wide, at most
# Of a segment's width: in front of a body's surface, and inside a room, where the scanner stood between the walls.
CLEAR_OUTSIDE, CLEAR_INSIDE = 1 / 8, 1 / 3
CLEAR_MM = 300.0  # a hand-held scanner is further than that from what it measures (common practice, no source)


def width_mm(cloud: SampledCloud, spacing_mm: float) -> float:
    """Square root of the area of a cloud, mm, from the boxes that its points occupy.

    ``spacing_mm`` of its points: boxes are not so small that points leave some empty.
    """
    xyz_mm = cloud.sample(SAMPLE).xyz_mm.astype(np.float64)
    if not len(xyz_mm):
        return 0.0
    thinner = max(1.0, np.sqrt(len(cloud) / len(xyz_mm)))  # a sample's points lie further apart
    edge_mm = max(float(np.linalg.norm(np.ptp(xyz_mm, axis=0))) / BOXES, 2 * thinner * spacing_mm)
    if not edge_mm:
        return 0.0  # a single place
    occupied = len(np.unique(np.floor(xyz_mm / edge_mm).astype(np.int64), axis=0))
    return float(edge_mm * np.sqrt(occupied / CROSSED))


def clear_mm(wide_mm: float, inside: bool = False) -> float:
    """Distance in front of a surface, mm, through which the scanner of a segment so wide has looked for certain.

    ``inside``: the segment is one of a room.
    """
    return min(CLEAR_MM, (CLEAR_INSIDE if inside else CLEAR_OUTSIDE) * wide_mm)


def is_inside(cloud: SampledCloud) -> bool:
    """Whether most of a cloud's surface faces its middle, as that of a room does."""
    sample = cloud.sample(SAMPLE)
    assert sample.normal is not None  # clean leaves normals of every point
    xyz_mm = sample.xyz_mm.astype(np.float64)
    return bool(np.median(np.sum((xyz_mm.mean(axis=0) - xyz_mm) * sample.normal, axis=1)) > 0)


def cells_mm(widths_mm: tuple[float, float], spacing_mm: float) -> tuple[float, float, float]:
    """Edges of the coarse, the fine and the finest cells, mm, for two segments of these widths.

    The finest differ from the fine ones where points are sparse: there each cell counts.
    """
    low, high = sorted(widths_mm)
    least = high / MOST_CELLS
    coarse = max(low / CELLS, least, LEAST_SPACINGS * spacing_mm)
    fine = min(coarse, max(low / FINE_CELLS, least, FINE_SPACINGS * spacing_mm))
    return coarse, fine, min(fine, max(low / FINE_CELLS, least, FINEST_SPACINGS * spacing_mm))
