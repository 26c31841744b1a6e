"""Outer sides of estimated normals, put right where segments lie over one another.

A segment alone shows the outside of what hangs together in it; a wheel that stands apart can come out inside out. Once
the poses are known, the other segments that saw the same surface tell: those with measured normals first, then each
segment that has been told, those that share most with what is known before the others.
"""

import numpy as np
from scipy.spatial import cKDTree

from nightbay.clouds.cloud import CloudFile
from nightbay.clouds.posed_segment import PosedSegment
from nightbay.core import rigid, thinning
from nightbay.orientation import normals, sign_voting
from nightbay.pipeline.stage import Upstream

NODE_MM, NODE_SPACINGS = 12.0, 5.0  # edge of the grid of nodes, or so many spacings of the points: as intake's
PARALLEL = 0.9  # cosine, 26 deg: what bends more between two nodes tells nothing
BLOCK = 2_000_000


def open_posed(cleaned: Upstream, refined: Upstream, T_frame_control: np.ndarray | None = None) -> PosedSegment:
    """A segment as the stages after refine use it, from what clean and refine left.

    Its lengths are scaled as refine's ``scale`` says and its estimated normals turned outwards. ``T_frame_control``,
    (4, 4): the frame to pose it in, the control frame where None. Only there the covariance of refine holds; in another
    frame it is None.
    """
    name = cleaned.segment
    assert name is not None  # clean runs once for each segment
    pose = refined.result["poses"][name]
    outside = refined.result["outside"].get(name)
    turned = np.load(refined.folder / turned_file(name)) if outside and outside["turned"] else None
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


def turned_file(segment):
    """Name of the file, in refine's folder, that says of every point of a segment whether its normal is turned."""
    return f"{segment}.turned.npy"


def settle(segments, spacing_mm, apart_mm, standoff_mm, inward):
    """Which normals of segments with estimated ones are on the wrong side: {name: (turned (n,) bool, told)}.

    ``told``: share of the segment's nodes on surface that another showed. ``apart_mm``: how far apart two scans of one
    surface may lie; ``standoff_mm``: how far off the scanner looked from; ``inward``: normals point inwards. Where
    no segment has measured normals, the one most certain of its own is believed.
    """
    edge_mm = max(NODE_MM, NODE_SPACINGS * spacing_mm)
    nodes = {one.name: _nodes(one, edge_mm) for one in segments}
    known = [one.name for one in segments if one.normals_certainty is None]
    asked = sorted(
        (one for one in segments if one.normals_certainty is not None),
        key=lambda one: (-one.normals_certainty, one.name),
    )
    if not known and asked:
        known = [asked.pop(0).name]
    result = {}
    while asked:
        at_mm, normal = (np.concatenate([nodes[name][k] for name in known]) for k in (0, 1))
        told = {one.name: _told(*nodes[one.name], at_mm, normal, edge_mm, apart_mm) for one in asked}
        one = max(asked, key=lambda one: np.count_nonzero(told[one.name]))
        asked.remove(one)
        at_mm, normal = nodes[one.name]
        outer = -normal if inward else normal
        signs = sign_voting.as_told(at_mm, outer, edge_mm, standoff_mm, told[one.name])
        nodes[one.name] = (at_mm, normal * signs[:, None])
        known.append(one.name)
        result[one.name] = (_against(one, *nodes[one.name]), float(np.mean(told[one.name] != 0)))
    return result


def _nodes(segment, edge_mm):
    """Places (k, 3) and normals of one point in every cell, in the control frame."""
    places, directions = [], []
    for start in range(0, len(segment.cloud), BLOCK):
        block = segment.cloud.block(start, min(start + BLOCK, len(segment.cloud)))
        rows = thinning.thin(block.xyz_mm.astype(np.float64), edge_mm)
        places.append(rigid.transform(segment.T_frame_segment, block.xyz_mm[rows] + segment.cloud.origin_mm))
        directions.append(rigid.rotate(segment.T_frame_segment, block.normal[rows]))
    return np.concatenate(places), np.concatenate(directions)


def _told(at_mm, normal, known_mm, known_normal, edge_mm, apart_mm):
    """What known surface says of nodes: 1 where it faces the same way, -1 the other way, 0 where there is none."""
    distance, near = cKDTree(known_mm).query(at_mm, distance_upper_bound=edge_mm)
    seen = np.flatnonzero(np.isfinite(distance))
    facing = known_normal[near[seen]]
    cosine = np.sum(facing * normal[seen], axis=1)
    off_mm = np.abs(np.sum(facing * (at_mm[seen] - known_mm[near[seen]]), axis=1))
    told = np.zeros(len(at_mm))
    told[seen] = np.sign(cosine) * ((np.abs(cosine) > PARALLEL) & (off_mm < apart_mm))
    return told


def _against(segment, node_mm, oriented):
    """Which points of a segment have normals against those of its nodes: (n,) bool."""
    return np.concatenate(
        [
            normals.against_nearest(
                rigid.transform(segment.T_frame_segment, block.xyz_mm + segment.cloud.origin_mm),
                rigid.rotate(segment.T_frame_segment, block.normal),
                node_mm,
                oriented,
            )
            for block in segment.cloud.blocks(BLOCK)
        ]
    )
