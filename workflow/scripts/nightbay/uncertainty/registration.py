"""What the poses of the segments add to the uncertainty of a point, and to that of the difference of two points.

A segment is rigid: its pose moves all its points together. Two ends that the same segment measured keep their distance
when its pose is wrong by a shift, and only its rotation counts, over the lever between them.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from nightbay.core import rigid
from nightbay.frame.result import FrameResult
from nightbay.refine.result import Discrepancy, RefinedPose

NEAR_MM = 60.0  # a segment whose bounds come that near to a point may have measured it
BLOCK = 200_000  # points at a time: bounds memory


@dataclass(frozen=True)
class Registration:
    """The placed segments of a part in the vehicle frame.

    ``names`` of s segments; ``covariances`` (s, 6, 6) of the small motion of each about the vehicle frame's origin
    (rotation vector rad, translation mm); ``low_mm`` and ``high_mm`` (s, 3), the bounds of their points;
    ``overlap_sd_mm`` (s,): what patches of its overlaps, withheld from the fit, show of a segment, 0 without overlaps.
    """

    names: tuple[str, ...]
    covariances: np.ndarray
    low_mm: np.ndarray
    high_mm: np.ndarray
    overlap_sd_mm: np.ndarray

    def seen(self, points_mm: np.ndarray) -> np.ndarray:
        """Which segments may have measured points (n, 3) of the vehicle frame: (n, s) bool, by their bounds alone."""
        point = points_mm[:, None, :]
        return np.all((point > self.low_mm - NEAR_MM) & (point < self.high_mm + NEAR_MM), axis=2)


def of(frame: FrameResult, poses: Mapping[str, RefinedPose], discrepancies: Sequence[Discrepancy] = ()) -> Registration:
    """The segments that have points and a pose; covariances of :class:`RefinedPose` are about the control frame.

    ``discrepancies`` of the overlaps: of two segments that differ, each has half of the variance.
    """
    names = tuple(sorted(name for name in poses if name in frame.segments))
    R, shift = frame.T_vehicle_control[:3, :3], frame.T_vehicle_control[:3, 3]
    turned = np.zeros((6, 6))
    turned[:3, :3], turned[3:, 3:] = R, R
    turned[3:, :3] = rigid.cross_matrix(shift[None])[0] @ R
    bounds = [frame.segments[name] for name in names]
    return Registration(
        names,
        np.array([turned @ poses[name].covariance @ turned.T for name in names]).reshape(-1, 6, 6),
        np.array([each.low_mm for each in bounds], dtype=float).reshape(-1, 3),
        np.array([each.high_mm for each in bounds], dtype=float).reshape(-1, 3),
        np.array([_overlap_sd_mm(name, discrepancies) for name in names], dtype=float),
    )


def _overlap_sd_mm(name: str, discrepancies: Sequence[Discrepancy]) -> float:
    mine = [pair for pair in discrepancies if name in pair.segments and pair.withheld_rms_after_mm]
    patches = sum(pair.patches for pair in mine)
    return float(np.sqrt(sum(pair.patches * pair.withheld_rms_after_mm**2 for pair in mine) / max(patches, 1) / 2.0))


def moves(points_mm: np.ndarray, directions: np.ndarray) -> np.ndarray:
    """How far points (n, 3) move along unit ``directions``, (n, 3) or (3,), with a small motion about the origin:
    the derivatives, (n, 6), by its rotation vector (mm/rad) and its translation."""
    directions = np.broadcast_to(directions, points_mm.shape)
    # a small rotation w and translation t move the point by w x p + t
    return np.concatenate([np.cross(points_mm, directions), directions], axis=1)


def point_sd_mm(
    points_mm: np.ndarray, directions: np.ndarray, registration: Registration, seen: np.ndarray | None = None
) -> np.ndarray:
    """Standard uncertainty, (n,) mm, of points (n, 3) along unit ``directions``, (n, 3) or (3,), from the poses.

    The largest among the segments that measured a point, which bounds that of their mean however their poses are
    correlated; NaN where none did. All in the vehicle frame; ``seen`` (n, s) bool, by default
    :meth:`Registration.seen`.
    """
    directions = np.broadcast_to(directions, points_mm.shape)
    found = np.full(len(points_mm), np.nan)
    for part in _blocks(len(points_mm)):
        shown = registration.seen(points_mm[part]) if seen is None else seen[part]
        J = moves(points_mm[part], directions[part])
        variance = np.einsum("ni,sij,nj->ns", J, registration.covariances, J, optimize=True)
        largest = np.where(shown, np.maximum(variance, 0.0), -1.0).max(axis=1, initial=-1.0)
        found[part] = np.sqrt(np.where(largest < 0.0, np.nan, largest))
    return found


def difference_sd_mm(
    points_mm: np.ndarray,
    others_mm: np.ndarray,
    directions: np.ndarray,
    registration: Registration,
    *,
    other_directions: np.ndarray | None = None,
    seen: np.ndarray | None = None,
    others_seen: np.ndarray | None = None,
) -> np.ndarray:
    """Standard uncertainty, (n,) mm, from the poses, of ``directions`` @ points less ``other_directions`` @ others.

    Both ends (n, 3), unit directions (n, 3) or (3,), those of the others the same unless given, all in the vehicle
    frame. Each end is the mean of what the segments that measured it show there (``seen``, ``others_seen``: (n, s)
    bool, by default :meth:`Registration.seen`); the pose of a segment that measured both ends moves both, poses of
    different segments are taken as independent. NaN where no segment measured an end.
    """
    directions = np.broadcast_to(directions, points_mm.shape)
    facing = directions if other_directions is None else np.broadcast_to(other_directions, points_mm.shape)
    found = np.full(len(points_mm), np.nan)
    for part in _blocks(len(points_mm)):
        shares = [
            _shares(registration.seen(end[part]) if shown is None else shown[part])
            for end, shown in ((points_mm, seen), (others_mm, others_seen))
        ]
        both = [moves(points_mm[part], directions[part]), moves(others_mm[part], facing[part])]
        variance = np.zeros(len(both[0]))
        for row, covariance in enumerate(registration.covariances):
            J = shares[0][:, row, None] * both[0] - shares[1][:, row, None] * both[1]
            variance += np.einsum("ni,ij,nj->n", J, covariance, J)
        known = shares[0].any(axis=1) & shares[1].any(axis=1)
        found[part] = np.sqrt(np.where(known, np.maximum(variance, 0.0), np.nan))
    return found


def _shares(shown: np.ndarray) -> np.ndarray:
    """Share of each segment in the mean at a point, (n, s), the same for all that measured it."""
    return shown / np.maximum(shown.sum(axis=1, keepdims=True), 1)


def _blocks(count: int) -> list[slice]:
    return [slice(start, start + BLOCK) for start in range(0, count, BLOCK)]
