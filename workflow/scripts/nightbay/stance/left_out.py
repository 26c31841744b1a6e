"""Points of a segment that the model is made without, because they stood differently there: marks in frame's folder."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from nightbay.clouds import cloud
from nightbay.clouds.posed_segment import PosedSegment
from nightbay.core import rigid

BLOCK = 2_000_000  # points looked at together


class Marked(NamedTuple):
    """Points of a segment: ``rows`` (n,) bool of its cloud; ``low_mm``, ``high_mm`` (3,) bounds of those marked, level
    frame; infinite where none is."""

    rows: np.ndarray
    low_mm: np.ndarray
    high_mm: np.ndarray


def file_name(segment: str) -> str:
    """Name of the file in frame's folder that marks the points of a segment that are left out, (n,) bool."""
    return f"{segment}.left_out.npy"


def inside(segment: PosedSegment, T_level_frame: np.ndarray, holds: Callable[[np.ndarray], np.ndarray]) -> Marked:
    """The points of a segment for which ``holds``, of points (n, 3) of the level frame, is true.

    ``T_level_frame``: from the segment's common frame to the level frame.
    """
    T = T_level_frame @ segment.T_frame_cloud
    rows, low, high = [np.empty(0, bool)], np.full(3, np.inf), np.full(3, -np.inf)
    for block in segment.cloud.blocks(BLOCK):
        points = rigid.transform(T, block.xyz_mm)
        mine = holds(points)
        rows.append(mine)
        if mine.any():
            low, high = np.minimum(low, points[mine].min(axis=0)), np.maximum(high, points[mine].max(axis=0))
    return Marked(np.concatenate(rows), low, high)


def segments(framed: Mapping[str, Any]) -> set[str]:
    """Names of the segments of which points are left out; ``framed``: the numbers that frame left."""
    stance = framed.get("stance") or {"left_out": []}
    return {left["segment"] for left in stance["left_out"]}


def without(segment: PosedSegment, frame_folder: Path, folder: Path) -> PosedSegment:
    """The segment without the points that are marked in frame's folder.

    What is left is written to ``folder`` as a working cloud, scaled and with its normals turned.
    """
    keep = ~np.load(frame_folder / file_name(segment.name))
    left = cloud.write_subset(folder / segment.name, segment.cloud, keep)
    return replace(segment, cloud=left)
