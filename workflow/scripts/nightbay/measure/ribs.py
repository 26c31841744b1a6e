"""Ribs on side walls and bows under the roof: where each is, how far apart, and how far it stands in.

Their distances are those of flanks, which are surfaces: the ends of a face are roundings, and what hides a flank cuts
the face off as well.
"""

from dataclasses import dataclass

import numpy as np

from nightbay.core import plane_fit, robust
from nightbay.core.text_format import listing
from nightbay.fitting.bare_face import BIN_MM, BLOCKS, FACING, LEAST_POINTS, NEAR_MM, outermost_peak
from nightbay.measure.room import Room
from nightbay.measure.room_faces import End

LEAST_MM, MOST_MM = 12.0, 120.0  # how far a rib stands in from the bare panel (common practice, no source)
WIDEST_MM = 200.0  # a rib or bow is narrower
APART_MM = 30.0  # two ribs have a gap of more than this, and more than three spacings
SLICE_MM = 80.0  # of the wall across the ribs
SEEN = 0.3  # least share of the slices in which a rib shows: cupboards hide it, rails cross it
BAND = (0.2, 0.8)  # heights between which ribs are looked for, shares of the room's
FLANK_MM, LEAST_FLANK = 25.0, 12  # a rib's flank lies this near to the end of its face; points of it
EDGE_MM = 2.0  # below the inner face, where a flank begins
DOWN = 1 / 3  # least share of the rib's height that shows of a flank: a rounded edge alone is less
SLANT_DEG, UNDERCUT_DEG = 60.0, 20.0  # flanks slant by less, away from the middle and under the face
CONE_DEG = 10.0  # normals of one flank lie within this of each other
STRIPS = 12  # of a rib's height, in which its flank is looked for
FLANK_LIMITS_MM = (5.0, 3.0, 2.0)  # of the fit of a flank
TWICE = 1.8  # a pitch that is so many times the median may hide a rib that was not seen
FEWEST, MOST_LISTED = 2, 12


@dataclass(frozen=True)
class Rib:
    """A rib: ``at_mm``, about its middle along X; its inner ``face``; its ``flanks``, by the side of X that they face,
    -1.0 or 1.0, those that were seen."""

    at_mm: float
    face: End
    flanks: dict[float, End]


@dataclass(frozen=True)
class Piece:
    """A rib in one slice: the ends of its face along X, the position of its inner face along the wall's axis, how far
    that stands in from the panel, its place across the slices, and its ``rows``."""

    low_mm: float
    high_mm: float
    face_mm: float
    height_mm: float
    across_mm: float
    rows: np.ndarray

    @property
    def middle_mm(self) -> float:
        """Middle of its face along X."""
        return (self.low_mm + self.high_mm) / 2


def add(room: Room) -> None:
    """State the distances of neighbouring ribs on each side wall, and of bows under the roof, from the front."""
    low, high = (room.low[2] + share * (room.high[2] - room.low[2]) for share in BAND)
    for kind, name in (("left wall", "ribs and posts, left"), ("right wall", "ribs and posts, right")):
        wall = next(iter(room.shell.planes(kind)), None)
        if wall is not None:
            inwards = float(np.sign(wall.normal[1]))
            _pitches(room, name, find(room, 1, inwards, 2, (low, high), wall.number), kind)
    roof = next(iter(room.shell.planes("roof")), None)
    if roof is not None:
        half = 0.25 * (room.high[1] - room.low[1])
        middle = (room.high[1] + room.low[1]) / 2
        _pitches(room, "bows", find(room, 2, -1.0, 1, (middle - half, middle + half), roof.number), "roof")


def under_roof(room: Room, roof: End, half_mm: float) -> list[Rib]:
    """The bows within ``half_mm`` of the middle of the room; ``roof``: the bare roof there."""
    return find(room, 2, -1.0, 1, (roof.point_mm[1] - half_mm, roof.point_mm[1] + half_mm), roof.plane)


def find(
    room: Room, axis: int, inwards: float, across: int, band_mm: tuple[float, float], plane: int | None
) -> list[Rib]:
    """Ribs on the panel that faces ``inwards`` along an ``axis``, from the front.

    They run along the axis ``across``, within ``band_mm`` of which they are looked for, in slices: in each, what stands
    in from the outermost peak of the panel is a rib where it is narrow.
    """
    shell = room.shell
    reach = inwards * shell.points_mm[:, axis]
    outer = reach < (room.low[axis] + room.high[axis]) / 2 * inwards
    rows = np.flatnonzero(
        (inwards * shell.normals[:, axis] > FACING)
        & outer
        & (shell.points_mm[:, across] > band_mm[0])
        & (shell.points_mm[:, across] < band_mm[1])
    )
    slices = np.floor((shell.points_mm[rows, across] - band_mm[0]) / SLICE_MM).astype(np.int64)
    seen: list[Piece] = []
    numbers = np.unique(slices)
    for number in numbers:
        mine = rows[slices == number]
        if len(mine) >= LEAST_POINTS:
            seen += _in_slice(shell.points_mm, mine, axis, inwards, max(APART_MM, 3 * shell.spacing_mm))
    return _joined(room, seen, len(numbers), axis, inwards, plane, float(np.mean(band_mm)))


def _in_slice(points_mm: np.ndarray, rows: np.ndarray, axis: int, inwards: float, apart_mm: float) -> list[Piece]:
    """Narrow pieces that stand in from the panel in one slice."""
    outward = -inwards * points_mm[rows, axis]
    near = outward > outward.max() - 2 * (NEAR_MM + MOST_MM)
    base = outermost_peak(outward[near])
    standing = rows[(base - outward > LEAST_MM) & (base - outward < MOST_MM)]
    order = standing[np.argsort(points_mm[standing, 0], kind="stable")]
    x = points_mm[order, 0]
    found = []
    for rows in np.split(order, np.flatnonzero(np.diff(x) > apart_mm) + 1):
        if len(rows) < 6:
            continue
        low, high = np.percentile(points_mm[rows, 0], [5, 95])
        if high - low > WIDEST_MM:
            continue
        face = float(np.median(points_mm[rows, axis]))
        across = float(np.median(points_mm[rows, 3 - axis]))
        found.append(Piece(float(low), float(high), face, float(base + inwards * face), across, rows))
    return found


def _joined(
    room: Room, seen: list[Piece], slices: int, axis: int, inwards: float, plane: int | None, across_mm: float
) -> list[Rib]:
    """The ribs that show in enough slices at one place along the vehicle."""
    shell = room.shell
    found = []
    left = sorted(seen, key=lambda piece: piece.middle_mm)
    while left:
        group = [piece for piece in left if piece.middle_mm - left[0].middle_mm < WIDEST_MM / 2]
        left = left[len(group) :]
        if len(group) < max(SEEN * slices, 2):
            continue
        at = float(np.median([piece.middle_mm for piece in group]))
        rows = np.concatenate([piece.rows for piece in group])
        point = np.median(shell.points_mm[rows], axis=0)
        point[0], point[axis] = at, _inner(shell.points_mm[rows, axis], inwards)
        scatter = float(np.std([piece.face_mm for piece in group]) / np.sqrt(len(group)))
        causes = {"noise": shell.scan.noise_mm / np.sqrt(len(rows)), "flatness": max(scatter, BIN_MM / 40)}
        flanks = {side: _flank(room, group, axis, inwards, side, across_mm) for side in (-1.0, 1.0)}
        seen_flanks = {side: flank for side, flank in flanks.items() if flank is not None}
        found.append(Rib(at, End(point, causes, plane), seen_flanks))
    return sorted(found, key=lambda rib: -shell.convention.forward * rib.at_mm)


def _flank(room: Room, group: list[Piece], axis: int, inwards: float, side: float, across_mm: float) -> End | None:
    """The flank of a rib on a ``side`` of X, halfway down from its inner face to the panel, at ``across_mm`` across
    the slices; None where it is not seen.

    ``group``: the rib in its slices. The flank is what shows over most of the height beside the end of the face; a
    plane is fitted robustly to it, since flanks slant and pillars lean. Where less than :data:`DOWN` of the rib's
    height shows, it may be the rounding of its edge alone, which says nothing of where the flank is.
    """
    shell = room.shell
    group = sorted(group, key=lambda piece: piece.across_mm)
    across = np.array([piece.across_mm for piece in group])
    end = side * float(np.median([side * (piece.high_mm if side > 0 else piece.low_mm) for piece in group]))
    near = np.flatnonzero(
        (np.abs(shell.points_mm[:, 0] - end) < FLANK_MM)
        & (shell.points_mm[:, 3 - axis] > across[0] - SLICE_MM / 2)
        & (shell.points_mm[:, 3 - axis] < across[-1] + SLICE_MM / 2)
    )
    # walls lean and bend: the depth counts from the face at the same place
    place = shell.points_mm[near, 3 - axis]
    face = np.interp(place, across, [piece.face_mm for piece in group])
    height = float(np.median([piece.height_mm for piece in group]))
    depth = inwards * (face - shell.points_mm[near, axis])
    normal = np.column_stack([side * shell.normals[near, 0], inwards * shell.normals[near, axis]])
    slant_deg = np.degrees(np.arctan2(normal[:, 1], normal[:, 0]))
    beside = (depth > EDGE_MM) & (depth < height) & (np.linalg.norm(normal, axis=1) > FACING)
    beside &= (slant_deg > -UNDERCUT_DEG) & (slant_deg < SLANT_DEG)
    if beside.sum() < LEAST_FLANK:
        return None
    beside &= np.abs(slant_deg - slant_over_height(slant_deg[beside], depth[beside] / height)) < CONE_DEG
    if beside.sum() < LEAST_FLANK or np.ptp(np.percentile(depth[beside], [5, 95])) < DOWN * height:
        return None
    design = np.column_stack([np.ones(beside.sum()), depth[beside] - height / 2, place[beside] - across_mm])
    x = shell.points_mm[near[beside], 0]
    variances = []
    # what its roundings do to the plane shows in strips of one depth, what its waves do in strips across them
    for strips in (place[beside], depth[beside]):
        start = np.array([np.median(x), 0.0, 0.0])
        solution, step = plane_fit.solve(design, x, start, robust.blocks_along(strips, BLOCKS), FLANK_LIMITS_MM)
        used = int(np.count_nonzero(step.weights))
        if used < LEAST_FLANK or not np.isfinite(step.covariance).all():
            return None
        variances.append(float(step.covariance[0, 0]))
    point = np.empty(3)
    point[0], point[3 - axis] = solution[0], across_mm
    point[axis] = np.interp(across_mm, across, [piece.face_mm for piece in group])
    noise = shell.scan.noise_mm / np.sqrt(used)
    return End(point, {"noise": noise, "edge": float(np.sqrt(max(variances)))})


def slant_over_height(slant_deg: np.ndarray, depth: np.ndarray) -> float:
    """The slant, degrees, of what shows over most of a rib's height: a rounding may have more points than its flank.

    ``slant_deg`` and ``depth`` (n,) of the points, the depth as a share of the height.
    """
    strip = np.floor(depth * STRIPS).astype(np.int64)
    slants = np.arange(-UNDERCUT_DEG, SLANT_DEG, CONE_DEG / 2)
    near = [np.abs(slant_deg - slant) <= CONE_DEG / 2 for slant in slants]
    best = max(near, key=lambda mine: (len(np.unique(strip[mine])), np.count_nonzero(mine)))
    return float(np.median(slant_deg[best]))


def _inner(positions_mm: np.ndarray, inwards: float) -> float:
    """Position of the innermost clear peak: the flat top of a rib, not its shoulders."""
    return inwards * outermost_peak_mean(inwards * positions_mm)


def outermost_peak_mean(values_mm: np.ndarray) -> float:
    """Mean of the values within a bin of their outermost clear peak."""
    peak = outermost_peak(values_mm)
    near = np.abs(values_mm - peak) < BIN_MM
    return float(np.median(values_mm[near])) if near.any() else peak


def _pitches(room: Room, name: str, found: list[Rib], where: str) -> None:
    """State the pitch of neighbouring ribs, or the clear distance where no flank that faces the same way was seen."""
    if len(found) < FEWEST:
        return
    key = name.replace(" and posts, ", "_")
    pitches = np.abs(np.diff([rib.at_mm for rib in found]))
    if len(pitches) > 1 and pitches.max() > TWICE * np.median(pitches):
        room.notes.append(
            f"One pitch of the {name} is {pitches.max() / np.median(pitches):.1f} times the others: something may hide "
            "a rib there."
        )
    unknown = []
    for number, (first, second) in enumerate(zip(found, found[1:], strict=False), 1):
        if number > MOST_LISTED:
            room.notes.append(f"Of the {name}, the first {MOST_LISTED} distances are listed.")
            break
        distance = _distance(first, second, -room.shell.convention.forward)
        if distance is None:
            unknown.append(f"{number} to {number + 1}")
            continue
        room.add(
            f"{distance.key}_{key}_{number}{distance.suffix}", f"{distance.title} of {name}, {number} to {number + 1}",
            f"{distance.meaning} of neighbours on the {where}, counted from the front", distance.ends, 0,
        )  # fmt: skip
    if unknown:
        room.notes.append(
            f"The distance of the {name}, {listing(unknown)}, can't be stated: no two of their flanks that face the "
            "same way or each other were scanned."
        )


@dataclass(frozen=True)
class _Distance:
    """What of two neighbours is measured: parts of its key, title and meaning, and its two ends."""

    key: str
    suffix: str
    title: str
    meaning: str
    ends: tuple[End, End]


def _distance(first: Rib, second: Rib, rearward: float) -> _Distance | None:
    """The distance of two neighbours by flanks of both that were seen; None where no pair of them can be compared.

    ``rearward``: the side of X that a rear flank faces. The middle of a rib is known where both its flanks are.
    """
    if len(first.flanks) == len(second.flanks) == 2:
        return _Distance("pitch", "", "Pitch", "between the middles", (_middle(second), _middle(first)))
    for side, flank in ((-rearward, "front"), (rearward, "rear")):
        if side in first.flanks and side in second.flanks:
            words = f"between the {flank} flanks"
            ends = (second.flanks[side], first.flanks[side])
            return _Distance("pitch", f"_{flank}_flanks", f"Pitch by the {flank} flanks", words, ends)
    if rearward in first.flanks and -rearward in second.flanks:
        ends = (second.flanks[-rearward], first.flanks[rearward])
        return _Distance("clear", "", "Clear distance", "between the flanks that face each other", ends)
    return None


def _middle(rib: Rib) -> End:
    """The middle between both flanks of a rib."""
    first, second = rib.flanks.values()
    causes = {cause: float(np.hypot(sd, second.sd_mm[cause]) / 2) for cause, sd in first.sd_mm.items()}
    return End((first.point_mm + second.point_mm) / 2, causes)
