"""Ribs on side walls and bows under the roof: where each is, how far apart, and how far it stands in."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from nightbay.core import robust
from nightbay.measure.room_faces import BIN_MM, BLOCKS, FACING, LEAST_POINTS, NEAR_MM, End, outermost_peak

if TYPE_CHECKING:
    from nightbay.measure.room_sizes import Room

LEAST_MM, MOST_MM = 12.0, 120.0  # how far a rib stands in from the bare panel (common practice, no source)
WIDEST_MM = 200.0  # a rib or bow is narrower
APART_MM = 30.0  # two ribs have a gap of more than this, and more than three spacings
SLICE_MM = 80.0  # of the wall across the ribs
SEEN = 0.3  # least share of the slices in which a rib shows: cupboards hide it, rails cross it
BAND = (0.2, 0.8)  # heights between which ribs are looked for, shares of the room's
FLANK_MM, LEAST_FLANK = 25.0, 12  # a rib's flank lies this near to the end of its face; points of it
TWICE = 1.8  # a pitch that is so many times the median may hide a rib that was not seen
FEWEST, MOST_LISTED = 2, 12


@dataclass(frozen=True)
class Rib:
    """A rib: its middle ``at_mm`` along the vehicle with ``sd_mm``, and its inner ``face``."""

    at_mm: float
    sd_mm: float
    face: End


def add(room: "Room") -> None:
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


def under_roof(room: "Room", roof: End, half_mm: float) -> list[Rib]:
    """The bows within ``half_mm`` of the middle of the room; ``roof``: the bare roof there."""
    return find(room, 2, -1.0, 1, (roof.point_mm[1] - half_mm, roof.point_mm[1] + half_mm), roof.plane)


def find(
    room: "Room", axis: int, inwards: float, across: int, band_mm: tuple[float, float], plane: int | None
) -> list[Rib]:
    """Ribs on the panel that faces ``inwards`` along an ``axis``, from the front.

    They run along the axis ``across``, within ``band_mm`` of which they are looked for, in slices: in each, what stands
    in from the outermost peak of the panel is a rib where it is narrow, and its middle is that of its ends.
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
    seen: list[tuple[float, float, np.ndarray]] = []  # middle, inner face, rows
    numbers = np.unique(slices)
    for number in numbers:
        mine = rows[slices == number]
        if len(mine) >= LEAST_POINTS:
            seen += _in_slice(shell.points_mm, mine, axis, inwards, max(APART_MM, 3 * shell.spacing_mm))
    return _joined(room, seen, len(numbers), axis, inwards, plane)


def _in_slice(
    points_mm: np.ndarray, rows: np.ndarray, axis: int, inwards: float, apart_mm: float
) -> list[tuple[float, float, np.ndarray]]:
    """Narrow pieces that stand in from the panel in one slice: their middle, inner face and rows."""
    outward = -inwards * points_mm[rows, axis]
    near = outward > outward.max() - 2 * (NEAR_MM + MOST_MM)
    base = outermost_peak(outward[near])
    standing = rows[(base - outward > LEAST_MM) & (base - outward < MOST_MM)]
    order = standing[np.argsort(points_mm[standing, 0], kind="stable")]
    x = points_mm[order, 0]
    found = []
    for piece in np.split(order, np.flatnonzero(np.diff(x) > apart_mm) + 1):
        if len(piece) < 6:
            continue
        low, high = np.percentile(points_mm[piece, 0], [5, 95])
        if high - low > WIDEST_MM:
            continue
        found.append((float((low + high) / 2), float(np.median(points_mm[piece, axis])), piece))
    return found


def _joined(
    room: "Room",
    seen: list[tuple[float, float, np.ndarray]],
    slices: int,
    axis: int,
    inwards: float,
    plane: int | None,
) -> list[Rib]:
    """The ribs that show in enough slices at one place along the vehicle."""
    shell = room.shell
    found = []
    left = sorted(seen, key=lambda piece: piece[0])
    while left:
        group = [piece for piece in left if piece[0] - left[0][0] < WIDEST_MM / 2]
        left = left[len(group) :]
        if len(group) < max(SEEN * slices, 2):
            continue
        middles = np.array([piece[0] for piece in group])
        at = float(np.median(middles))
        spread = robust.MAD_TO_SD * float(np.median(np.abs(middles - at)))
        sd = max(spread, shell.spacing_mm / 4) / np.sqrt(len(group))
        faces = np.array([piece[1] for piece in group])
        rows = np.concatenate([piece[2] for piece in group])
        at, sd = _between_flanks(room, rows, axis, inwards) or (at, sd)
        point = np.median(shell.points_mm[rows], axis=0)
        point[0], point[axis] = at, _inner(shell.points_mm[rows, axis], inwards)
        scatter = float(np.std(faces) / np.sqrt(len(faces)))
        causes = {"noise": shell.scan.noise_mm / np.sqrt(len(rows)), "flatness": max(scatter, BIN_MM / 40)}
        found.append(Rib(at, float(sd), End(point, causes, plane)))
    return sorted(found, key=lambda rib: -shell.convention.forward * rib.at_mm)


def _between_flanks(room: "Room", rows: np.ndarray, axis: int, inwards: float) -> tuple[float, float] | None:
    """Middle of a rib between its two flanks, and its standard uncertainty; None where one of them is not seen.

    ``rows`` of its inner face. The flanks face along the vehicle, below the face and beside its ends.
    """
    shell = room.shell
    across = 3 - axis
    face = shell.points_mm[rows]
    low, high = face.min(axis=0), face.max(axis=0)
    reach = inwards * shell.points_mm[:, axis]
    top = inwards * _inner(face[:, axis], inwards)
    deep = (reach < top - 2.0) & (reach > top - MOST_MM)
    deep &= (shell.points_mm[:, across] > low[across]) & (shell.points_mm[:, across] < high[across])
    ends = []
    for side, end in ((-1.0, low[0]), (1.0, high[0])):
        beside = deep & (np.abs(shell.points_mm[:, 0] - end) < FLANK_MM) & (side * shell.normals[:, 0] > FACING)
        if beside.sum() < LEAST_FLANK:
            return None
        x = shell.points_mm[beside, 0]
        spread = robust.MAD_TO_SD * float(np.median(np.abs(x - np.median(x))))
        # a flank leans or is rounded at its foot: its points are no independent sample of one position
        ends.append((float(np.median(x)), max(spread, shell.scan.noise_mm) / np.sqrt(BLOCKS)))
    return (ends[0][0] + ends[1][0]) / 2, float(np.hypot(ends[0][1], ends[1][1]) / 2)


def _inner(positions_mm: np.ndarray, inwards: float) -> float:
    """Position of the innermost clear peak: the flat top of a rib, not its shoulders."""
    return inwards * outermost_peak_mean(inwards * positions_mm)


def outermost_peak_mean(values_mm: np.ndarray) -> float:
    """Mean of the values within a bin of their outermost clear peak."""
    peak = outermost_peak(values_mm)
    near = np.abs(values_mm - peak) < BIN_MM
    return float(np.median(values_mm[near])) if near.any() else peak


def _pitches(room: "Room", name: str, found: list[Rib], where: str) -> None:
    """State the pitch of neighbouring ribs."""
    if len(found) < FEWEST:
        return
    key = name.replace(" and posts, ", "_")
    pitches = np.abs(np.diff([rib.at_mm for rib in found]))
    if len(pitches) > 1 and pitches.max() > TWICE * np.median(pitches):
        room.notes.append(
            f"One pitch of the {name} is {pitches.max() / np.median(pitches):.1f} times the others: something may hide "
            "a rib there."
        )
    for number, (first, second) in enumerate(zip(found, found[1:], strict=False), 1):
        if number > MOST_LISTED:
            room.notes.append(f"Of the {name}, the first {MOST_LISTED} distances are listed.")
            break
        ends = tuple(End(rib.face.point_mm, {"edge": rib.sd_mm}, None) for rib in (second, first))
        room.add(
            f"pitch_{key}_{number}", f"Pitch of {name}, {number} to {number + 1}",
            f"between the middles of neighbours on the {where}, counted from the front", (ends[0], ends[1]), 0,
        )  # fmt: skip
