"""The inside of a room as the search of places takes it, from its frame and from what cleaning left and removed."""

from collections.abc import Mapping, Sequence

import numpy as np

from nightbay.core import axes
from nightbay.coverage.outside import looked_at
from nightbay.coverage.room import RoomSurface
from nightbay.frame.result import FrameResult
from nightbay.pipeline.stage import Upstream


def inside(
    points_mm: np.ndarray,
    normals: np.ndarray,
    frame: FrameResult,
    cleaned: Sequence[Upstream],
    T_control_segment: Mapping[str, np.ndarray],
) -> RoomSurface:
    """The :class:`RoomSurface` of points (n, 3), mm, with normals (n, 3), both in the vehicle frame of a part that has
    a room; ``cleaned`` as :func:`nightbay.coverage.outside.outside` takes them."""
    room = frame.room
    assert room is not None
    return RoomSurface(
        points_mm,
        normals,
        looked_at(frame, cleaned, T_control_segment),
        axes.axes(frame.axes),
        frame.zero_planes["y"].found,
        room.planes,
        room.up.decided,
        room.along.decided,
    )
