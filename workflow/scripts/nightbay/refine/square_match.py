"""Poses in which two segments with faces at right angles may fit: rooms, load bays, box bodies.

Features of points say little there, since most edges look alike, but the faces give the rotation up to the 24 turns of
a cube. In each of these the shift is voted for: every two distinctive cells of the same facing vote for the shift that
brings one onto the other, and the true shift gets the votes of all that both segments saw.
"""

import numpy as np
from scipy.spatial.transform import Rotation

from nightbay.core import plane_fit, rigid
from nightbay.refine.coarse_match import ThinnedSegment

SAME_FACING = 0.9  # cosine of 25 deg: normals of a cell's mean are that rough near edges
TRIALS = 300  # normals of which the one that most others follow is a main direction
REFINED = 3  # times that the axes are fitted to the normals near them
VOTERS = 500  # distinctive cells of a segment that vote
LEAST_VOTERS = 20  # with fewer, chance decides
BOX = 1.5  # cells: edge of the boxes in which votes are counted
PEAKS = 4  # shifts of a rotation that are kept
MOST = 40  # poses that are kept
UNTURNED = 2.999  # trace of a rotation matrix: larger is no rotation
CUBE = Rotation.create_group("O").as_matrix()


def candidate_poses(a: ThinnedSegment, b: ThinnedSegment) -> list[np.ndarray]:
    """Poses ``T_a_b`` (list of (4, 4)) in which thinned segments may fit, those with most votes first."""
    voters_a, voters_b = _voters(a), _voters(b)
    if min(len(voters_a), len(voters_b)) < LEAST_VOTERS:
        return []
    box_mm = BOX * a.cell_mm
    axes_a, axes_b = square_axes(a.normal), square_axes(b.normal)
    found: list[tuple[int, np.ndarray]] = []
    for turn in CUBE:
        rotation = axes_a @ turn @ axes_b.T
        cosine = a.normal[voters_a] @ (b.normal[voters_b] @ rotation.T).T
        if not (a.sided and b.sided):
            cosine = np.abs(cosine)
        rows_a, rows_b = np.nonzero(cosine > SAME_FACING)
        if len(rows_a):
            shifts_mm = a.xyz_mm[voters_a[rows_a]] - b.xyz_mm[voters_b[rows_b]] @ rotation.T
            found += [(votes, rigid.pose(rotation, shift_mm)) for votes, shift_mm in _peaks(shifts_mm, box_mm)]
    found.sort(key=lambda pose: -pose[0])
    kept: list[np.ndarray] = []
    for _, T in found:
        if len(kept) < MOST and not any(
            np.array_equal(T[:3, :3], other[:3, :3]) and np.linalg.norm(T[:3, 3] - other[:3, 3]) < box_mm
            for other in kept
        ):
            kept.append(T)
    return kept


def _voters(segment: ThinnedSegment) -> np.ndarray:
    """Rows of a segment's distinctive cells that vote, evenly chosen."""
    rows = np.flatnonzero(segment.distinctive)
    return rows[:: max(1, len(rows) // VOTERS)]


def _peaks(shifts_mm: np.ndarray, box_mm: float) -> list[tuple[int, np.ndarray]]:
    """The shifts (3,) with most of the votes ``shifts_mm`` (n, 3) in a box around them, each with their number.

    Votes are counted twice, in boxes that are shifted by half a box, so that none falls between two.
    """
    found = []
    for start in (0.0, 0.5):
        boxes = np.floor(shifts_mm / box_mm + start).astype(np.int64)
        boxes -= boxes.min(axis=0)
        _, box, votes = np.unique(
            np.ravel_multi_index(tuple(boxes.T), boxes.max(axis=0) + 1), return_inverse=True, return_counts=True
        )
        most = np.argsort(-votes, kind="stable")[:PEAKS]
        found += [(int(votes[at]), shifts_mm[box == at].mean(axis=0)) for at in most]
    return found


def square_axes(normals: np.ndarray) -> np.ndarray:
    """Three directions at right angles, columns of (3, 3), that most unit normals (n, 3) follow, with either sign."""
    trials = normals[:: max(1, len(normals) // TRIALS)]
    narrow = np.abs(normals @ trials.T) > SAME_FACING
    first = trials[int(np.argmax(narrow.sum(axis=0)))]
    level = np.abs(trials @ first) < np.sqrt(1 - SAME_FACING**2)
    second = trials[level][int(np.argmax(narrow[:, level].sum(axis=0)))] if level.any() else plane_fit.across(first)[0]
    second = second - (second @ first) * first
    second /= np.linalg.norm(second)
    axes = np.column_stack([first, second, np.cross(first, second)])
    for _ in range(REFINED):
        along = normals @ axes
        near = np.abs(along) > SAME_FACING
        sums = normals.T @ np.where(near, np.sign(along), 0.0)
        length = np.linalg.norm(sums, axis=0)
        sums = np.where(length > 0, sums / np.maximum(length, 1e-9), axes)  # a direction that nothing faces stays
        left, _, right = np.linalg.svd(sums)
        axes = left @ right
    return axes


def cube_turns(segment: ThinnedSegment) -> list[np.ndarray]:
    """Rotations of a cube onto itself, (4, 4), about the middle of a segment along its principal axes, and about the
    middle of its bounds along its square axes.

    A body or a room that looks alike from several sides is mapped onto itself by motions near some of these.
    """
    middle = segment.xyz_mm.mean(axis=0)
    principal = np.linalg.eigh((segment.xyz_mm - middle).T @ (segment.xyz_mm - middle))[1]
    square = square_axes(segment.normal)
    along = segment.xyz_mm @ square
    box = square @ np.percentile(along, (1, 99), axis=0).mean(axis=0)  # a few cells beyond a door don't count
    turns = []
    for axes, centre in ((principal, middle), (square, box)):
        for turn in CUBE:
            turned = axes @ turn @ axes.T
            if np.trace(turn) < UNTURNED:
                turns.append(rigid.pose(turned, centre - turned @ centre))
    return turns
