"""The ground under the whole vehicle, from the grounds that its segments saw."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from nightbay.clean.result import SegmentGround
from nightbay.core import rigid, robust, thinning
from nightbay.frame import symmetry
from nightbay.frame.part_view import PartView

STANDS_ON = 4  # wheels that carry the vehicle: unevenness of the ground averages over no more contacts than those
FOOTPRINT_MM = 100.0  # plan-view cells in which a segment's ground is weighed


@dataclass(frozen=True)
class GroundPlane:
    """``normal . x = offset_mm`` in the control frame, ``normal`` (3,) up.

    ``sd_mm`` of its height and ``tilt_sd_rad`` at ``centre_mm`` (3,), standard uncertainties; ``spread_mm``: how far
    the segments' grounds lie apart there, rms, None from one segment; ``roughness_mm``: sd of the ground about them.
    """

    normal: np.ndarray
    offset_mm: float
    sd_mm: float
    tilt_sd_rad: float
    spread_mm: float | None
    roughness_mm: float
    centre_mm: np.ndarray
    segments: list[str]
    found_by: str = "ground plane"


def join(grounds: Mapping[str, SegmentGround | None], view: PartView) -> GroundPlane | None:
    """The plane nearest to all segments' grounds below the vehicle; None where no segment shows the ground.

    ``grounds`` {segment name: its ground in the segment frame, in the lengths of the clouds}.
    """
    shown = {}
    for row, segment in enumerate(view.clouds.segments):
        ground = grounds.get(segment.name)
        if ground is not None and np.any(view.segment == row):
            shown[row] = ground
    if not shown:
        return None
    planes = {row: _in_control(ground, view.clouds.segments[row].T_frame_segment) for row, ground in shown.items()}
    up = np.mean([normal for normal, _ in planes.values()], axis=0)
    up /= np.linalg.norm(up)
    pieces = [_below(view.points_mm[view.segment == row], plane, up) for row, plane in planes.items()]
    points_mm, block = np.concatenate(pieces), np.repeat(np.arange(len(pieces)), [len(piece) for piece in pieces])
    names = [view.names[row] for row in shown]
    return _fit(points_mm, block, up, max(float(ground.sd_mm) for ground in shown.values()), names)


def _below(points_mm: np.ndarray, plane: tuple[np.ndarray, float], up: np.ndarray) -> np.ndarray:
    """Points (m, 3) of a segment's ground vertically below its points (n, 3), one in each cell of the plan view."""
    normal, offset_mm = plane
    below = points_mm - np.outer((points_mm @ normal - offset_mm) / (normal @ up), up)
    return below[thinning.thin(below - np.outer(below @ up, up), FOOTPRINT_MM)]


def _fit(
    points_mm: np.ndarray, block: np.ndarray, up: np.ndarray, roughness_mm: float, names: list[str]
) -> GroundPlane:
    """The plane through points of the ground (n, 3) by least squares; ``block`` (n,) int: the row of each point's
    segment in ``names``."""
    centre = points_mm.mean(axis=0)
    first, second = symmetry.plan_axes(up)
    off = points_mm - centre
    rows = np.column_stack([np.ones(len(off)), off @ first, off @ second])
    height = off @ up
    solution, *_ = np.linalg.lstsq(rows, height, rcond=None)
    misfit = height - rows @ solution
    normal = up - solution[1] * first - solution[2] * second
    normal /= np.linalg.norm(normal)
    reach = np.sqrt(np.mean(off**2) * 3 / 2)  # rms distance from the centre in each direction of the plan
    between = robust.step(rows, -misfit, np.inf, block).covariance if len(names) > 2 else np.zeros((3, 3))
    spread = float(np.sqrt(np.mean(misfit**2))) if len(names) > 1 else None
    own = (roughness_mm**2 + (spread or 0.0) ** 2) / STANDS_ON
    centre = centre + solution[0] * up
    return GroundPlane(
        normal,
        float(normal @ centre),
        float(np.sqrt(own + between[0, 0])),
        float(np.sqrt(own / reach**2 + max(between[1, 1], between[2, 2]))),
        spread,
        roughness_mm,
        centre,
        names,
    )


def _in_control(ground: SegmentGround, T_control_segment: np.ndarray) -> tuple[np.ndarray, float]:
    """Normal (3,) and offset of a segment's ground in the control frame."""
    normal = rigid.rotate(T_control_segment, ground.normal[None])[0]
    return normal, float(ground.offset_mm + normal @ T_control_segment[:3, 3])
