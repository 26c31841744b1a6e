"""Outer sides of estimated normals, corrected where segments lie over one another.

A segment alone shows the outer side of connected surfaces only: the normals of a separate wheel may all point inwards.
Once the poses are known, other segments that measured the same surface show its outer side. These are first the
segments with measured normals, then each corrected segment. Segments are corrected in the order of their overlap with
known surface, the largest first.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from nightbay.clouds.cloud import CloudFile
from nightbay.clouds.posed_segment import PosedSegment
from nightbay.core import rigid, thinning
from nightbay.orientation import normals, sign_voting
from nightbay.pipeline.stage import Upstream

NODE_MM, NODE_SPACINGS = 12.0, 5.0  # edge of the grid of nodes, or so many spacings of the points: as intake's
PARALLEL = 0.9  # cosine of 26 degrees: where a surface bends more between two nodes, their normals are not compared
BLOCK = 2_000_000  # points looked at together


@dataclass(frozen=True)
class Nodes:
    """Some points of a surface, one in each cell of a grid: ``at_mm`` and ``normal`` (k, 3) in the common frame."""

    at_mm: np.ndarray
    normal: np.ndarray


@dataclass(frozen=True)
class Orientation:
    """Normals of a segment as other segments show them: ``turned`` (n,) bool, points whose normals are on the
    wrong side; ``observed_share``: share of the segment's nodes on surface that another segment observed."""

    turned: np.ndarray
    observed_share: float


def placed(cleaned: Iterable[Any], refined: Upstream) -> list[Any]:
    """Those segments of a part that refine placed, in order of their names; the others were left out of the model."""
    return sorted(
        (segment for segment in cleaned if segment.segment in refined.result["poses"]),
        key=lambda left: left.segment or "",
    )


def open_posed(cleaned: Upstream, refined: Upstream, T_frame_control: np.ndarray | None = None) -> PosedSegment:
    """A segment as the stages after refine use it, from what clean and refine left.

    Its lengths are scaled as refine's ``scale`` says and its estimated normals turned outwards. ``T_frame_control``,
    (4, 4): the frame to pose it in, the control frame where None. Only there the covariance of refine holds; in another
    frame it is None.
    """
    name = cleaned.segment
    assert name is not None  # clean runs once for each segment
    pose = refined.result["poses"][name]
    orientation = refined.result["normal_orientation"].get(name)
    turned = np.load(refined.folder / turned_file(name)) if orientation and orientation["turned"] else None
    T_frame_segment, covariance = np.array(pose["T_control_segment"], dtype=np.float64), None
    if T_frame_control is None:
        covariance = np.array(pose["covariance"], dtype=np.float64)
    else:
        T_frame_segment = T_frame_control @ T_frame_segment
    return PosedSegment(
        name,
        CloudFile(cleaned.folder, turned, refined.result["scale"]["factor"]),
        T_frame_segment,
        covariance,
        cleaned.result["normals_certainty"],
    )


def turned_file(segment: str) -> str:
    """Name of the file in refine's folder that marks the points of a segment whose normals are turned, (n,) bool."""
    return f"{segment}.turned.npy"


def orient_estimated(
    segments: Sequence[PosedSegment],
    spacing_mm: float,
    sheet_distance_mm: float,
    standoff_mm: float,
    inward: bool,
) -> dict[str, Orientation]:
    """The :class:`Orientation` of each segment with estimated normals, by name.

    ``spacing_mm`` of the points; ``sheet_distance_mm``: how far apart two scans of one surface may lie;
    ``standoff_mm``: distance of the scanner from the surface; ``inward``: normals point inwards. Where no segment has
    measured normals, those of the segment with the highest certainty are taken as right.
    """
    edge_mm = max(NODE_MM, NODE_SPACINGS * spacing_mm)
    nodes = {segment.name: _nodes(segment, edge_mm) for segment in segments}
    known = [segment.name for segment in segments if segment.normals_certainty is None]
    # the most certain first, then by name
    certain = [(-segment.normals_certainty, segment) for segment in segments if segment.normals_certainty is not None]
    waiting = [segment for _, segment in sorted(certain, key=lambda pair: (pair[0], pair[1].name))]
    if not known and waiting:
        known = [waiting.pop(0).name]
    result = {}
    while waiting:
        surface = Nodes(
            *(np.concatenate([getattr(nodes[name], part) for name in known]) for part in ("at_mm", "normal"))
        )
        observed = {
            segment.name: _observed_signs(nodes[segment.name], surface, edge_mm, sheet_distance_mm)
            for segment in waiting
        }
        segment = max(waiting, key=lambda segment: np.count_nonzero(observed[segment.name]))
        waiting.remove(segment)
        own, signs = nodes[segment.name], observed[segment.name]
        outer = -own.normal if inward else own.normal
        turn = sign_voting.constrained(own.at_mm, outer, edge_mm, standoff_mm, signs)
        nodes[segment.name] = Nodes(own.at_mm, own.normal * turn[:, None])
        known.append(segment.name)
        result[segment.name] = Orientation(_opposed(segment, nodes[segment.name]), float(np.mean(signs != 0)))
    return result


def _nodes(segment: PosedSegment, edge_mm: float) -> Nodes:
    """One point of the segment in every cell of ``edge_mm``, in the common frame."""
    points, directions = [], []
    for block in segment.cloud.blocks(BLOCK):
        assert block.normal is not None
        rows = thinning.thin(block.xyz_mm.astype(np.float64), edge_mm)
        points.append(rigid.transform(segment.T_frame_segment, block.xyz_mm[rows] + segment.cloud.origin_mm))
        directions.append(rigid.rotate(segment.T_frame_segment, block.normal[rows]))
    return Nodes(np.concatenate(points), np.concatenate(directions))


def _observed_signs(nodes: Nodes, known: Nodes, edge_mm: float, sheet_distance_mm: float) -> np.ndarray:
    """Signs (k,) of nodes by known surface: 1 where it faces the same side, -1 the other, 0 where there is none."""
    distance, near = cKDTree(known.at_mm).query(nodes.at_mm, distance_upper_bound=edge_mm)
    seen = np.flatnonzero(np.isfinite(distance))
    facing = known.normal[near[seen]]
    cosine = np.sum(facing * nodes.normal[seen], axis=1)
    off_mm = np.abs(np.sum(facing * (nodes.at_mm[seen] - known.at_mm[near[seen]]), axis=1))
    signs = np.zeros(len(nodes.at_mm))
    signs[seen] = np.sign(cosine) * ((np.abs(cosine) > PARALLEL) & (off_mm < sheet_distance_mm))
    return signs


def _opposed(segment: PosedSegment, nodes: Nodes) -> np.ndarray:
    """Which points of a segment have normals opposed to those of its nodes: (n,) bool."""
    opposed = []
    for block in segment.cloud.blocks(BLOCK):
        at_mm = rigid.transform(segment.T_frame_segment, block.xyz_mm + segment.cloud.origin_mm)
        assert block.normal is not None
        directions = rigid.rotate(segment.T_frame_segment, block.normal)
        opposed.append(normals.opposed_to_nearest(at_mm, directions, nodes.at_mm, nodes.normal))
    return np.concatenate(opposed)
