"""The measured points about a place: every point that cleaning kept, with its segment, and never a filled one."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from nightbay.clouds.posed_segment import PosedSegment
from nightbay.core import rigid
from nightbay.core.errors import NotFound

UNDECIDED = 1  # bit of a point's flag: clean saw two copies of the surface there, and not which is right
MOST_POINTS = 20_000  # points of a region that are used, evenly taken: more say nothing new and cost time
LEAST_POINTS = 48


@dataclass(frozen=True)
class Sample:
    """Points (n, 3) of the vehicle frame with unit outward ``normals`` (n, 3) and the row of each one's ``segment``."""

    points_mm: np.ndarray
    normals: np.ndarray
    segment: np.ndarray

    def __len__(self) -> int:
        return len(self.points_mm)

    def __getitem__(self, rows: np.ndarray) -> "Sample":
        return Sample(self.points_mm[rows], self.normals[rows], self.segment[rows])


@dataclass(frozen=True)
class Region:
    """A part of space in the vehicle frame: the box from ``low_mm`` to ``high_mm``, (3,), and of it only what lies
    within ``radius_mm`` of its middle."""

    low_mm: np.ndarray
    high_mm: np.ndarray
    radius_mm: float = np.inf

    @property
    def middle_mm(self) -> np.ndarray:
        """Its middle, (3,)."""
        return (self.low_mm + self.high_mm) / 2

    @property
    def reach_mm(self) -> float:
        """Greatest distance from its middle."""
        return min(self.radius_mm, float(np.linalg.norm(self.high_mm - self.low_mm)) / 2)

    def contains(self, points_mm: np.ndarray) -> np.ndarray:
        """Which of the points (n, 3) lie in it, (n,) bool."""
        in_box = np.all((points_mm >= self.low_mm) & (points_mm <= self.high_mm), axis=1)
        return in_box & (np.linalg.norm(points_mm - self.middle_mm, axis=1) <= self.radius_mm)


def of(entry: Mapping[str, Any]) -> Region:
    """The region of an entry of the job sheet: ``at_mm`` and ``within_mm``, or ``low_mm`` and ``high_mm``."""
    if "at_mm" in entry:
        return around(entry["at_mm"], entry["within_mm"])
    return Region(np.array(entry["low_mm"], float), np.array(entry["high_mm"], float))


def around(at_mm: Sequence[float], radius_mm: float) -> Region:
    """The region within ``radius_mm`` of a point (3,)."""
    at = np.array(at_mm, float)
    return Region(at - radius_mm, at + radius_mm, float(radius_mm))


def read(
    segments: Iterable[PosedSegment], region: Region, left_out: Mapping[str, np.ndarray] | None = None
) -> Sample | NotFound:
    """The points of a region, of ``segments`` in the vehicle frame in the order of their rows.

    ``left_out``: by segment which of its points, (n,) bool, the model is made without.

    The reason instead where it holds too few, or where most lie where clean kept two copies of a surface.
    """
    pieces: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []
    undecided = 0
    for row, segment in enumerate(segments):
        T, cloud = segment.T_frame_cloud, segment.cloud
        low, high = cloud.tiles["low_mm"].astype(float), cloud.tiles["high_mm"].astype(float)
        middle = rigid.transform(T, (low + high) / 2)
        away = np.linalg.norm(middle - region.middle_mm, axis=1)
        near = away <= region.reach_mm + np.linalg.norm(high - low, axis=1) / 2
        for number in np.flatnonzero(near & (cloud.tiles["count"] > 0)):
            tile = cloud.tile(int(number))
            points = rigid.transform(T, tile.xyz_mm)
            inside = region.contains(points)
            if left_out and segment.name in left_out:
                start = int(cloud.tiles["start"][number])
                inside &= ~left_out[segment.name][start : start + len(points)]
            if tile.flag is not None:
                doubtful = inside & ((tile.flag & UNDECIDED) > 0)
                undecided += int(np.count_nonzero(doubtful))
                inside &= ~doubtful
            assert tile.normal is not None
            normals = rigid.rotate(T, tile.normal[inside])
            pieces.append((points[inside], normals, np.full(len(normals), row)))
    count = sum(len(points) for points, _, _ in pieces)
    if count < LEAST_POINTS:
        x, y, z = region.middle_mm
        if undecided:
            return NotFound(
                f"{undecided} of the {count + undecided} points about X {x:.0f}, Y {y:.0f}, Z {z:.0f} mm lie where two "
                "copies of the surface were scanned and it is not clear which is right: scan it again"
            )
        return NotFound(
            f"{count} points were scanned about X {x:.0f}, Y {y:.0f}, Z {z:.0f} mm, at least {LEAST_POINTS} are "
            "needed: check the coordinates (vehicle frame, mm) and the size of the region"
        )
    sample = Sample(*(np.concatenate(columns) for columns in zip(*pieces, strict=True)))
    length = np.maximum(np.linalg.norm(sample.normals, axis=1, keepdims=True), np.finfo(float).tiny)
    sample = Sample(sample.points_mm, sample.normals / length, sample.segment)
    return sample[np.arange(0, count, -(-count // MOST_POINTS))]
