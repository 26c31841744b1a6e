"""Names the directions in which segments stay loose: small motions that neither overlaps nor targets determine.

A motion of the whole fit is loose where the overlaps hold no more information about it than errors of their normals
would seem to give (:func:`refine.overlap_adjustment.solve`). What counts for a segment is how it then moves against its
neighbours: segments that move alike are one rigid set, and only the overlap between two sets is too featureless.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from nightbay.core import rigid
from nightbay.core.errors import Unplaced
from nightbay.core.text_format import listing
from nightbay.pipeline import typed
from nightbay.refine import overlap_adjustment, pair_graph
from nightbay.refine.overlap import Pair
from nightbay.refine.overlap_adjustment import NormalEquations, OverlapEquations
from nightbay.refine.part import Part
from nightbay.refine.pose_selection import Evidence
from nightbay.refine.result import LooseDirection, LooseOverlap

UNKNOWN = 1e-9  # 1 / mm2: information about a motion that is known to no better than 30 m
ALIKE = 0.1  # of the largest loose motion: two segments whose motions differ by less move as one
SHIFT = 0.3  # of a motion at the overlap: with a smaller share of rotation it is a shift
DISTINCT = 1.2  # ratio of two extents of a segment that can be distinguished by eye
NEAR_DEG = 25.0  # a direction that near to an axis is called by it
DRAWN = 400  # points of a segment and of an overlap that the picture shows


def motions(overlaps: OverlapEquations, known: NormalEquations, free: np.ndarray) -> np.ndarray:
    """Loose motions (s, 6, k) about the centre of the equations, scaled to mm as the overlaps' ``scale`` says.

    ``known``: normal equations of what determines poses beside the overlaps; ``free`` (s,) bool: segments that may
    move. The k motions are orthonormal over all segments.
    """
    unknown = np.repeat(free, 6)
    scale, square = overlaps.scale[unknown], np.ix_(unknown, unknown)
    size = scale[:, None] * scale[None]
    values, vectors = np.linalg.eigh(overlaps.matrix[square] * size)
    kernel = vectors[:, values <= overlap_adjustment.SPURIOUS * overlaps.spurious]
    values, vectors = np.linalg.eigh(kernel.T @ (known.matrix[square] * size) @ kernel)
    found = np.zeros((len(unknown), int(np.count_nonzero(values <= UNKNOWN))))
    found[unknown] = kernel @ vectors[:, values <= UNKNOWN]
    return found.reshape(len(free), 6, -1)


def rigid_sets(names: Sequence[str], loose: np.ndarray) -> list[list[str]]:
    """The sets of segments that move as one in all ``loose`` motions (s, 6, k)."""
    if loose.shape[2] == 0:
        return [list(names)]
    most = max(np.linalg.norm(own, 2) for own in loose)
    for alike in (ALIKE, ALIKE / 10, 0.0):  # a chain of segments that differ little from each other is no rigid set
        links = [
            (names[a], names[b])
            for a, b in combinations(range(len(names)), 2)
            if np.linalg.norm(loose[a] - loose[b], 2) <= alike * most
        ]
        sets = pair_graph.connected_sets(names, links)
        if len(sets) > 1:
            break
    return sets


def find(
    part: Part, pairs: Sequence[Pair], evidence: Evidence, targets: NormalEquations, free: np.ndarray
) -> list[LooseOverlap]:
    """The overlaps that leave directions loose, which the point pairs determine: those of each rigid set of segments
    but the largest.

    ``evidence``: of the fit, with its point pairs; ``targets``: normal equations without these; ``free`` (s,) bool:
    segments that may move. Raises :class:`Unplaced`, with the overlaps as evidence, where nothing determines a
    direction.
    """
    undetermined = _overlaps(part, pairs, evidence, motions(evidence.overlaps, evidence.targets, free))
    if undetermined:
        reasons = {name: sentence(overlap) for overlap in undetermined for name in overlap.segments}
        raise Unplaced(reasons, {"loose": [typed.write(overlap) for overlap in undetermined]})
    return _overlaps(part, pairs, evidence, motions(evidence.overlaps, targets, free))


def _overlaps(part: Part, pairs: Sequence[Pair], evidence: Evidence, loose: np.ndarray) -> list[LooseOverlap]:
    """A :class:`LooseOverlap` for each rigid set of segments but the largest; ``loose``: of :func:`motions`."""
    names, start = part.names, dict(zip(part.names, part.start, strict=True))
    sets = rigid_sets(names, loose)
    size = {segment.name: len(segment.cloud) for segment in part.segments}
    main = pair_graph.largest(sets, size)
    found = []
    for members in (own for own in sets if own is not main):
        neighbour, overlap_mm = _neighbour(members, sets, main, pairs, names, start)
        scale = evidence.overlaps.scale[:6, None]
        relative = (loose[names.index(members[0])] - loose[names.index(neighbour[0])]) * scale
        segment = part.segments[names.index(max(members, key=size.__getitem__))]
        raw_mm = _sample(segment.cloud.sample(20 * DRAWN).xyz_mm + segment.cloud.origin_mm)
        segment_mm = rigid.transform(start[segment.name], raw_mm)
        shown_mm = overlap_mm if len(overlap_mm) else segment_mm
        words = _Words(segment.name, segment_mm, start[segment.name])
        found.append(
            LooseOverlap(
                segments=members,
                relative_to=neighbour,
                directions=_directions(relative, evidence.patches.centre_mm, shown_mm, words),
                fixed_by=None,
                segment_mm=np.round(segment_mm),
                overlap_mm=np.round(_sample(overlap_mm)),
            )
        )
    return found


def sentence(loose: LooseOverlap) -> str:
    """Why a set of segments is refused, in one sentence."""
    several = len(loose.segments) > 1
    named = f"segment{'s' if several else ''} {listing(loose.segments)} {'have' if several else 'has'} no targets"
    if not len(loose.overlap_mm):
        return f"{named} and too little overlap with the other segments; scan more overlap or put targets into it"
    its = "their" if several else "its"
    return (
        f"{named}, and {its} overlap with {listing(loose.relative_to)} is too featureless to fix "
        f"{'them' if several else 'it'}: loose {'is' if len(loose.directions) == 1 else 'are'} "
        f"{listing([direction.words for direction in loose.directions])} ({len(loose.directions)} of 6 directions); "
        "put targets or something uneven into the overlap, or give three point pairs of both segments in the job sheet "
        "(point_pairs)"
    )


def _neighbour(
    members: Sequence[str],
    sets: Sequence[list[str]],
    main: list[str],
    pairs: Sequence[Pair],
    names: Sequence[str],
    start: dict[str, np.ndarray],
) -> tuple[list[str], np.ndarray]:
    """The set that shares most correspondences with ``members``, and these, (m, 3) in the control frame; ``main`` and
    none where no set shares any."""
    best, most = main, np.empty((0, 3))
    for other in sets:
        if other == members:
            continue
        shared = [np.empty((0, 3))]
        for pair in pairs:
            ends = {names[pair.a], names[pair.b]}
            if ends & set(members) and ends & set(other):
                shared.append(rigid.transform(start[names[pair.a]], pair.discs.at_a))
        overlap_mm = np.concatenate(shared)
        if len(overlap_mm) > len(most):
            best, most = other, overlap_mm
    return best, most


def _sample(points: np.ndarray) -> np.ndarray:
    """At most :data:`DRAWN` of some points, evenly chosen."""
    return np.asarray(points[:: max(1, -(-len(points) // DRAWN))], dtype=np.float64)


def _directions(
    relative: np.ndarray, centre_mm: np.ndarray, overlap_mm: np.ndarray, words: "_Words"
) -> list[LooseDirection]:
    """Shifts and turns that span the ``relative`` motions (6, k), rad and mm about ``centre_mm``: shifts first."""
    at_mm = overlap_mm.mean(axis=0)
    arm_mm = max(float(np.sqrt(np.mean(np.sum((overlap_mm - at_mm) ** 2, axis=1)))), 1.0)
    turned = relative[:3] * arm_mm
    moved = relative[3:] + np.cross(relative[:3].T, at_mm - centre_mm).T
    basis, values, _ = np.linalg.svd(np.vstack([turned, moved]), full_matrices=False)
    basis = basis[:, values > ALIKE * values[0]]
    _, shares, right = np.linalg.svd(basis[:3])  # how much of each motion is rotation
    shares = np.append(shares, np.zeros(max(0, basis.shape[1] - 3)))[: basis.shape[1]]
    mixed = basis @ right.T
    shifts, turns = mixed[3:, shares < SHIFT], mixed[:, shares >= SHIFT]
    found = [
        LooseDirection("shift", axis, at_mm, f"a shift along {words.of(axis)}", None)
        for axis in _along(shifts, words.axes)
    ]
    across = np.eye(3) - _projection(shifts)
    for axis in _along(turns[:3], words.axes):
        motion = turns @ np.linalg.lstsq(turns[:3], axis, rcond=None)[0]
        rate = motion[:3] / arm_mm
        on_axis_mm = at_mm + np.cross(rate, across @ motion[3:]) / (rate @ rate)
        found.append(LooseDirection("turn", axis, on_axis_mm, f"a turn about {words.of(axis)}", None))
    return found


def _projection(vectors: np.ndarray) -> np.ndarray:
    """Projection (3, 3) on the span of some vectors (3, k)."""
    basis = np.linalg.svd(vectors, full_matrices=False)[0] if vectors.shape[1] else vectors
    return basis @ basis.T


def _along(vectors: np.ndarray, axes: np.ndarray) -> list[np.ndarray]:
    """Orthonormal directions (3,) that span k independent vectors (3, k), as near to the ``axes`` (3, 3), rows, as can
    be."""
    found: list[np.ndarray] = []
    left = _projection(vectors)
    for _ in range(vectors.shape[1]):
        inside = axes @ left
        nearest = inside[int(np.argmax(np.linalg.norm(inside, axis=1)))]
        found.append(nearest / np.linalg.norm(nearest))
        left = left - np.outer(found[-1], found[-1])
    return found


@dataclass(frozen=True)
class _Words:
    """Words for directions of the control frame, by the extents of segment ``name`` and the axes of its raw file.

    ``points_mm`` (n, 3) of the segment in the control frame; ``T_control_segment`` (4, 4).
    """

    name: str
    points_mm: np.ndarray
    T_control_segment: np.ndarray

    @property
    def axes(self) -> np.ndarray:
        """The axes of the segment's extents, the longest first, rows (3, 3)."""
        centred = self.points_mm - self.points_mm.mean(axis=0)
        return np.linalg.svd(np.vstack([centred, np.zeros((3, 3))]), full_matrices=False)[2]

    def of(self, axis: np.ndarray) -> str:
        """The words for a direction (3,)."""
        raw = self.T_control_segment[:3, :3].T @ axis
        raw = raw * (1.0 if raw[int(np.argmax(np.abs(raw)))] > 0 else -1.0)
        near_deg = np.degrees(np.arccos(min(1.0, float(np.abs(raw).max()))))
        in_file = f"{'XYZ'[int(np.argmax(np.abs(raw)))]} of its raw file"
        if near_deg > NEAR_DEG:
            in_file = f"({', '.join(f'{value:.2f}' for value in raw)}) in its raw file"
        elif near_deg > NEAR_DEG / 3:
            in_file = f"roughly {in_file}"
        extent = self._extent(axis)
        return f"the {extent} axis of {self.name} ({in_file})" if extent else in_file.replace("its", f"{self.name}'s")

    def _extent(self, axis: np.ndarray) -> str | None:
        """Which of the segment's extents a direction is, None where none is near or distinct."""
        axes = self.axes
        lengths = np.ptp(self.points_mm @ axes.T, axis=0) + 1e-9
        at = int(np.argmax(np.abs(axes @ axis)))
        if abs(axes[at] @ axis) < np.cos(np.radians(NEAR_DEG)):
            return None
        others = np.delete(lengths, at)
        if np.any((np.maximum(others, lengths[at]) / np.minimum(others, lengths[at])) < DISTINCT):
            return None
        return ("long", "middle", "short")[int(np.count_nonzero(others > lengths[at]))]
