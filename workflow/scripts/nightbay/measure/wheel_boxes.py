"""The width between the wheel boxes of a room."""

from dataclasses import dataclass

import numpy as np

from nightbay.core import plane_fit, robust
from nightbay.fitting.bare_face import BLOCKS, FACING, LIMITS_MM
from nightbay.measure.room import Room
from nightbay.measure.room_faces import End

LOW_MM, HIGH_MM = 40.0, 220.0  # height above the floor at which the boxes' sides are looked for
INSET_MM = 60.0  # a wheel box stands in from its wall by more (common practice, no source)
SHORTEST_MM, LONGEST_MM = 300.0, 1500.0
TOP_MM = 600.0  # and is lower than this
BIN_MM, STEP_MM = 20.0, 50.0
OPPOSITE = 0.7  # least common length of both, share of the longer
ALIKE_MM = 60.0  # their insets differ by less


@dataclass(frozen=True)
class Side:
    """A box's inner side: its ``rows``, its ``inset_mm`` from the middle, its ends ``low_mm``, ``high_mm`` along X."""

    rows: np.ndarray
    inset_mm: float
    low_mm: float
    high_mm: float


def add(room: Room) -> None:
    """State the width between the wheel boxes, where a pair of them is found."""
    left = room.shell.convention.left
    sides = [_sides(room, float(left * sign)) for sign in (1, -1)]
    best, common = None, 0.0
    for box in sides[0]:
        for other in sides[1]:
            together = min(box.high_mm, other.high_mm) - max(box.low_mm, other.low_mm)
            longer = max(box.high_mm - box.low_mm, other.high_mm - other.low_mm)
            alike = abs(box.inset_mm - other.inset_mm) < ALIKE_MM
            if alike and together > OPPOSITE * longer and together > common:
                best, common = (box, other), together
    if best is None:
        return
    ends = tuple(_face(room, side) for side in best)
    room.add(
        "width_wheel_boxes", "Width between wheel boxes",
        f"between their inner sides, {LOW_MM:.0f} to {HIGH_MM:.0f} mm above the floor", (ends[0], ends[1]), 1,
    )  # fmt: skip


def _sides(room: Room, side: float) -> list[Side]:
    """Upright faces near the floor that stand in from the wall on a ``side`` of Y, with a top over them."""
    shell = room.shell
    points, normals = shell.points_mm, shell.normals
    outward = side * points[:, 1]
    wall = np.percentile(outward, 99)
    low = (points[:, 2] > LOW_MM) & (points[:, 2] < HIGH_MM)
    facing = (-side * normals[:, 1] > FACING) & (outward > 0.25 * wall) & (outward < wall - INSET_MM)
    rows = np.flatnonzero(low & facing)
    tops = np.flatnonzero((normals[:, 2] > FACING) & (points[:, 2] > HIGH_MM / 2) & (points[:, 2] < TOP_MM))
    found = []
    level = np.floor(outward[rows] / BIN_MM).astype(np.int64)
    for number in np.unique(level):
        mine = rows[(level == number) | (level == number + 1)]
        steps = np.unique(np.floor(points[mine, 0] / STEP_MM).astype(np.int64))
        for run in np.split(steps, np.flatnonzero(np.diff(steps) > 2) + 1):
            start, end = run[0] * STEP_MM, (run[-1] + 1) * STEP_MM
            if not SHORTEST_MM < end - start < LONGEST_MM:
                continue
            piece = mine[(points[mine, 0] >= start) & (points[mine, 0] < end)]
            inset = float(np.median(outward[piece]))
            over = tops[(points[tops, 0] > start) & (points[tops, 0] < end) & (outward[tops] > inset)]
            covered = len(np.unique(np.floor(points[over, 0] / STEP_MM)))
            if covered > OPPOSITE * len(run):
                found.append(Side(piece, inset, start, end))
    return found


def _face(room: Room, side: Side) -> End | None:
    """The flat inner side of a box."""
    points = room.shell.points_mm[side.rows]
    middle = np.array([(side.low_mm + side.high_mm) / 2, (LOW_MM + HIGH_MM) / 2])
    off = points[:, [0, 2]] - middle
    design = np.column_stack([np.ones(len(off)), off])
    start = np.array([np.median(points[:, 1]), 0.0, 0.0])
    solution, step = plane_fit.solve(design, points[:, 1], start, robust.blocks_along(off[:, 0], BLOCKS), LIMITS_MM)
    if not np.isfinite(step.covariance).all():
        return None
    used = max(int(np.count_nonzero(step.weights)), 1)
    causes = {"noise": room.shell.scan.noise_mm / np.sqrt(used), "flatness": float(np.sqrt(step.covariance[0, 0]))}
    return End(np.array([middle[0], solution[0], middle[1]]), causes)
