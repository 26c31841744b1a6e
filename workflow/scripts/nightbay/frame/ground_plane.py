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


@dataclass(frozen=True)
class SegmentPlane:
    """The ground as one segment saw it, control frame: ``normal . x = offset_mm``, ``normal`` (3,) up.

    ``roughness_mm``: sd of the ground about it; ``centre_mm`` (3,) and ``reach_mm``, rms in each direction, of where it
    was seen; ``covariance`` (6, 6) of the segment's pose about the origin of the control frame; ``drift_mm_per_m``.
    """

    normal: np.ndarray
    offset_mm: float
    roughness_mm: float
    centre_mm: np.ndarray
    reach_mm: float
    covariance: np.ndarray
    drift_mm_per_m: float

    def heights_mm(self, points_mm: np.ndarray) -> np.ndarray:
        """Heights (n,) of points (n, 3) above the plane."""
        return points_mm @ self.normal - self.offset_mm

    def sds_mm(self, points_mm: np.ndarray) -> np.ndarray:
        """Standard uncertainty (n,) of these heights by roughness, pose and drift; it grows away from what was seen."""
        off = np.linalg.norm(points_mm - self.centre_mm, axis=1)
        own = self.roughness_mm**2 / STANDS_ON * (1.0 + (off / max(self.reach_mm, FOOTPRINT_MM)) ** 2)
        moves = np.column_stack([np.cross(points_mm, self.normal), np.tile(self.normal, (len(points_mm), 1))])
        posed = np.einsum("ni,ij,nj->n", moves, self.covariance, moves)
        return np.sqrt(own + posed + (self.drift_mm_per_m * off / 1000.0) ** 2)


def of_segments(grounds: Mapping[str, SegmentGround | None], view: PartView) -> dict[str, SegmentPlane]:
    """The grounds that segments saw, {segment name: plane}, in the order of the part.

    ``grounds`` {segment name: its ground in the segment frame, in the lengths of the clouds}.
    """
    planes = {}
    for row, segment in enumerate(view.clouds.segments):
        ground, mine = grounds.get(segment.name), view.points_mm[view.segment == row]
        if ground is None or not len(mine):
            continue
        normal, offset_mm = _in_control(ground, segment.T_frame_segment)
        foot = _below(mine, (normal, offset_mm), normal)
        centre = foot.mean(axis=0)
        reach = float(np.sqrt(np.mean((foot - centre) ** 2) * 3 / 2))
        covariance = np.zeros((6, 6)) if segment.covariance is None else segment.covariance
        planes[segment.name] = SegmentPlane(
            normal, offset_mm, float(ground.sd_mm), centre, reach, covariance, view.drift_mm_per_m
        )
    return planes


def join(planes: Mapping[str, SegmentPlane], view: PartView) -> GroundPlane | None:
    """The plane nearest to the grounds that segments saw below the vehicle, {segment name: plane}; None without any."""
    if not planes:
        return None
    up = np.mean([plane.normal for plane in planes.values()], axis=0)
    up /= np.linalg.norm(up)
    pieces = [
        _below(view.points_mm[view.segment == view.names.index(name)], (plane.normal, plane.offset_mm), up)
        for name, plane in planes.items()
    ]
    points_mm, block = np.concatenate(pieces), np.repeat(np.arange(len(pieces)), [len(piece) for piece in pieces])
    return _fit(points_mm, block, up, max(plane.roughness_mm for plane in planes.values()), list(planes))


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
