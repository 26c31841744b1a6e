"""The numbers in the JSON of the stage fuse."""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class SegmentColour:
    """How the colours of a segment were matched.

    ``kind``: "colour", "grey" (all its colours are greys) or "none"; ``gain``: factors of the linear light of red,
    green and blue, by which the colours of the surface differ from those of the export; ``gain_sd``: their standard
    uncertainties, None where the segment keeps its colours; ``gradient_per_m``: change of the gains' logarithm along
    each axis, within the range ``box_mm``, low and high (3,) each, None where none is used; ``kept_because``: why it
    keeps its colours, else None. At a position p of the vehicle frame all gains are multiplied by exp(gradient .
    (p, limited to the range, - centre) / 1000).
    """

    kind: str
    gain: list[float]
    gain_sd: list[float] | None
    gradient_per_m: list[float] | None
    box_mm: list[np.ndarray] | None
    kept_because: str | None


@dataclass(frozen=True)
class ColourOverlap:
    """Two coloured segments that have seen the same surface.

    ``patches``: number of patches that both have seen; ``left_out``: number of others that are saturated or black in
    either. Medians of CIEDE2000 over the patches: ``difference_before`` any gains, ``difference_after`` them, and
    ``difference_withheld`` on patches that were left out of the fit; None where no gains are used.
    """

    a: str
    b: str
    patches: int
    left_out: int
    difference_before: float | None
    difference_after: float | None
    difference_withheld: float | None


@dataclass(frozen=True)
class ColourMatch:
    """Exposure and white balance of all segments. The geometric mean of the gains of connected segments is 1.

    ``patch_mm``: edge of a patch; ``centre_mm`` (3,), vehicle frame: where the gains hold; ``segments`` by name;
    ``overlaps``; ``patches``: number in the overlaps of matched segments, to which the medians of CIEDE2000 belong;
    ``uneven_share``: robust standard deviation of the ratio of luminances after the gains, a share: shading by the
    scanner's lamp that is left, and noise.
    """

    patch_mm: float
    centre_mm: np.ndarray
    segments: dict[str, SegmentColour]
    overlaps: list[ColourOverlap]
    patches: int
    difference_before: float | None
    difference_after: float | None
    difference_withheld: float | None
    uneven_share: float | None


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
    points, None if no segment has colour; ``colour``: how the segments' colours were matched, None likewise.
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
    colour: ColourMatch | None
