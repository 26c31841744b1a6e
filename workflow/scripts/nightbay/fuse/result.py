"""The numbers in the JSON of the stage fuse."""

from dataclasses import dataclass


@dataclass(frozen=True)
class FuseResult:
    """Numbers of ``surface.ply``, the surface of a part in the vehicle frame.

    Lengths are in mm and areas in mm2. Medians are taken over the vertices of the surface.

    ``resolution_mm``: edge of the surface grid; ``points``: number of fused points of all segments; ``segments``:
    number of segments that have points; ``spacing_mm``: median spacing of the points of all segments together;
    ``reach_mm``: greatest radius over which points are averaged, which is the greatest distance of the surface from a
    point; ``tiles``, ``vertices``, ``faces``: how many there are; ``area_mm2``: area of the surface;
    ``trimmed_area_mm2``: area that boundary trimming removed; ``specks`` and ``specks_area_mm2``: number and area of
    the isolated pieces that were removed because they are small; ``count_median``: effective number of points of a
    vertex; ``spread_median_mm``: standard deviation of a vertex's points along its normal; ``noise_median_mm``: spread
    over the root of the count; ``confidence_median``: 0 to 1; ``coloured``: share of the vertices with a colour from
    points, None if no segment has colour.
    """

    resolution_mm: float
    points: int
    segments: int
    spacing_mm: float
    reach_mm: float
    tiles: int
    vertices: int
    faces: int
    area_mm2: float
    trimmed_area_mm2: float
    specks: int
    specks_area_mm2: float
    count_median: float
    spread_median_mm: float
    noise_median_mm: float
    confidence_median: float
    coloured: float | None
