"""What the shape of a room shows of up and along: walls that lean in, wheel boxes, what stands, ends that are open."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from nightbay.frame.part_view import PartView
from nightbay.frame.room_planes import RoomPlane

SQUARE_DEG = 8.0  # a plane belongs to a direction of the room within this: walls lean by less, slanted fronts by more
HELD = 0.35  # least share of the area of all planes that lies along the three directions of a room
CANDIDATES = 10  # largest planes from which the three directions are tried
END = 0.08  # depth of an end, share of the room's length along it
CELL_MM = 60.0  # of the grid in which the cover of an end is counted: three spacings of the thinned points
OPEN, CLOSED = 0.15, 0.4  # most and least cover of an end that is open, and of one that is a wall
LOW, HIGH = (0.1, 0.3), (0.7, 0.9)  # heights, shares of the room's, at which its width is compared
LEAN_DEG, CLEAR_LEAN_DEG = 0.8, 2.0  # least mean lean of both walls that counts a little, and clearly
BOX_LOW_MM, BOX_HIGH = 100.0, 0.4  # a wheel box is higher than this and lower than this share of the room's height
BOX_HIGH_BED = 0.8  # share of the height of a bed, which has no roof
BOX_ASIDE_MM, BOX_ASIDE = 350.0, 0.4  # how wide it is, and most share of the room's width
BOX_BIN_MM, BOX_STEP_MM = 20.0, 50.0  # the grid in which its top is looked for
# It is longer than this, and shorter than this and than this share of the room's length: overhead lockers are longer.
BOX_LEAST_MM, BOX_MOST_MM, BOX_MOST = 300.0, 1300.0, 0.6
BOW_MM, BOW_STEP_MM, BOW_MIDDLE = (15.0, 90.0), 40.0, 0.2  # how far bows hang down; looked for about the middle
BOWS, BOW_WIDEST_MM, BOW_COVER = 3, 160.0, 0.6  # least number, greatest width, least share of the middle they cross
STANDING, STANDING_TIMES = 0.015, 3.0  # least share of the points that stand on a floor; how many times those that hang
LONGER, MUCH_LONGER = 1.15, 1.4  # ratio of the room's horizontal lengths that counts a little, and clearly
# No direction of a room that is longer is up: vehicles are up to 4.0 m high in the EU (Council Directive 96/53/EC,
# Annex I) and hardly more where no limit is set
HIGHEST_MM = 5000.0
NARROWEST_MM = 1000.0  # no room of a vehicle is less wide between its side walls (common practice, no source)
BOXES = "boxes at both sides on the floor"
DECIDED, AHEAD = 3, 2  # least votes for a direction, and how many more than the next has: two kinds of evidence


@dataclass(frozen=True)
class Box:
    """The room in its own directions: rows of ``axes`` (3, 3), right-handed, control frame; ``points`` (n, 3) and
    ``normals`` (n, 3) along them; ``low`` and ``high`` (3,), where nearly all points lie between."""

    axes: np.ndarray
    points: np.ndarray
    normals: np.ndarray
    low: np.ndarray
    high: np.ndarray

    @property
    def size(self) -> np.ndarray:
        """Lengths of the room along its directions, (3,) mm."""
        return self.high - self.low


@dataclass
class Votes:
    """For a direction: the ``count`` of votes, and what gave them, in words."""

    count: int = 0
    words: list[str] = field(default_factory=list)

    def add(self, count: int, words: str) -> None:
        """Add votes for a reason."""
        if count:
            self.count += count
            self.words.append(words)


def directions(planes: Sequence[RoomPlane]) -> np.ndarray | None:
    """Three directions at right angles, rows of (3, 3) right-handed, along which most of the planes' area lies.

    None where too little does.
    """
    normals = np.array([plane.normal for plane in planes]).reshape(-1, 3)
    areas = np.array([plane.area_mm2 for plane in planes])
    best, held = None, 0.0
    for first in normals[:CANDIDATES]:
        for second in normals[:CANDIDATES]:
            if abs(first @ second) > np.sin(np.radians(SQUARE_DEG)):
                continue
            level = second - (second @ first) * first
            level /= np.linalg.norm(level)
            axes = np.array([first, level, np.cross(first, level)])
            off = np.degrees(np.arccos(np.clip(np.abs(normals @ axes.T).max(axis=1), 0.0, 1.0)))
            score = float(areas @ np.clip(1.0 - (off / SQUARE_DEG) ** 2, 0.0, None))
            if score > held * (1.0 + 1e-9):
                best, held = axes, score
    return best if best is not None and held > HELD * areas.sum() else None


def box(view: PartView, axes: np.ndarray) -> Box:
    """The part of a view in the room's directions ``axes`` (3, 3)."""
    points = view.points_mm @ axes.T
    # half a per cent at either end may be outliers
    low, high = np.percentile(points, [0.5, 99.5], axis=0)
    return Box(axes, points, view.normals @ axes.T, low, high)


def cover(room: Box, axis: int, sign: float) -> float:
    """Share of the cells of an end of the room that hold surface facing along the axis: 1 for a whole wall."""
    others = [other for other in range(3) if other != axis]
    end = room.high[axis] if sign > 0 else room.low[axis]
    near = np.abs(room.points[:, axis] - end) < max(END * room.size[axis], CELL_MM)
    near &= np.abs(room.normals[:, axis]) > 0.5
    cells = np.floor((room.points[near][:, others] - room.low[others]) / CELL_MM).astype(np.int64)
    count = np.maximum(np.floor(room.size[others] / CELL_MM), 1).astype(np.int64)
    inside = ((cells >= 0) & (cells < count)).all(axis=1)
    return float(len(np.unique(cells[inside], axis=0)) / count.prod())


def up_votes(room: Box, along: int | None = None) -> dict[tuple[int, float], Votes]:
    """Votes for each direction, (axis, sign), to be up; those whose other end is no floor have none.

    ``along``: the axis that runs along the vehicle where the names of the segments give it.
    """
    votes: dict[tuple[int, float], Votes] = {}
    for axis in range(3):
        level = [other for other in range(3) if other != axis]
        asides = [other for other in level if other != along]
        for sign in (1.0, -1.0):
            if axis == along or room.size[axis] > HIGHEST_MM or cover(room, axis, -sign) < CLOSED:
                continue
            found = votes.setdefault((axis, sign), Votes())
            lean = max(lean_deg(room, axis, sign, across) for across in asides)
            found.add(2 * (lean > CLEAR_LEAN_DEG) or 1 * (lean > LEAN_DEG), "walls lean in towards the roof")
            boxes = any(wheel_boxes(room, axis, sign, across) for across in asides)
            # boxes in both corners may be lockers under the roof of a room that lies on it, and then they stand too
            standing = 2 * boxes or 1 * stands(room, axis, sign)
            found.add(standing, BOXES if boxes else "things stand on the floor")
            found.add(1 * any(bows(room, axis, sign, other) for other in level), "bows under the roof")
            # the end of a vehicle may be open as well, so this counts only across the line between its ends
            found.add(1 * (along is not None and is_bed(room, axis, sign)), "the room is open above")
    return votes


def is_bed(room: Box, up: int, sign: float) -> bool:
    """Whether the room is open towards ``sign`` times ``up`` and so shallow that this can't be a side that is open."""
    return bool(room.size[up] < NARROWEST_MM and cover(room, up, sign) < OPEN)


def along_votes(room: Box, up: int, sign: float) -> dict[int, Votes]:
    """Votes for each horizontal axis to run along the vehicle, where the axis ``up`` with its ``sign`` points up."""
    level = [axis for axis in range(3) if axis != up]
    votes = {axis: Votes() for axis in level}
    for along, across in (level, level[::-1]):
        ratio = room.size[along] / room.size[across]
        votes[along].add(2 * (ratio > MUCH_LONGER) or 1 * (ratio > LONGER), "the longer side")
        votes[along].add(2 * wheel_boxes(room, up, sign, across), BOXES)
        votes[along].add(1 * (lean_deg(room, up, sign, across) > LEAN_DEG), "both side walls lean in")
        ends = [cover(room, along, end) for end in (1.0, -1.0)]
        sides = [cover(room, across, end) for end in (1.0, -1.0)]
        votes[along].add(1 * (min(ends) < OPEN < CLOSED < min(max(ends), *sides)), "an open end")
    return votes


def decided(votes: dict, chosen: object, least: int = DECIDED) -> bool:
    """Whether the votes for ``chosen`` decide: enough of them, and more than any other has."""
    others = [found.count for name, found in votes.items() if name != chosen]
    return bool(votes[chosen].count >= least and votes[chosen].count >= max(others, default=0) + AHEAD)


def lean_deg(room: Box, up: int, sign: float, across: int) -> float:
    """How far both walls at the ends of ``across`` lean in towards ``up``, degrees: the smaller; 0 without."""
    height = _height(room, up, sign)
    low, high = ((height > part[0]) & (height < part[1]) for part in (LOW, HIGH))
    leans = []
    for side in (1.0, -1.0):
        outward = side * room.points[:, across]
        facing = -side * room.normals[:, across] > 0.9  # within 26 degrees
        reach = [np.percentile(outward[band & facing], 90) for band in (low, high) if (band & facing).sum() >= 30]
        if len(reach) < 2:
            return 0.0
        rise = (sum(HIGH) - sum(LOW)) / 2 * room.size[up]
        leans.append(np.degrees(np.arctan((reach[0] - reach[1]) / rise)))
    return float(max(min(leans), 0.0))


def wheel_boxes(room: Box, up: int, sign: float, across: int) -> bool:
    """Whether two flat tops at one height lie opposite each other, at the walls at both ends of ``across``.

    Their height is limited because lockers under the roof look like them in a room that lies on it; a bed has none.
    """
    along = 3 - up - across
    height = _height(room, up, sign) * room.size[up]
    highest = BOX_HIGH_BED if is_bed(room, up, sign) else BOX_HIGH
    top = (sign * room.normals[:, up] > 0.9) & (height > BOX_LOW_MM) & (height < highest * room.size[up])
    aside = min(BOX_ASIDE_MM, BOX_ASIDE * room.size[across])
    from_middle = np.abs(room.points[:, across] - (room.low + room.high)[across] / 2)
    middle = from_middle < (0.5 - BOX_ASIDE) * room.size[across]  # free between two boxes: a shelf or a bench is one
    level = np.floor(height / BOX_BIN_MM).astype(np.int64)
    step = np.floor((room.points[:, along] - room.low[along]) / BOX_STEP_MM).astype(np.int64)
    sides = [
        top & (room.points[:, across] > room.high[across] - aside),
        top & (room.points[:, across] < room.low[across] + aside),
    ]
    for number in range(int(BOX_LOW_MM // BOX_BIN_MM), int(level[top].max(initial=0)) + 1):
        near = (level == number) | (level == number + 1)
        crossing = step[top & near & middle]
        runs = [np.setdiff1d(step[side & near], crossing) for side in sides]
        common = len(np.intersect1d(runs[0], runs[1]))
        longest = max(len(run) for run in runs)
        if common * BOX_STEP_MM >= BOX_LEAST_MM and common > 0.7 * longest:
            return bool(longest * BOX_STEP_MM < min(BOX_MOST * room.size[along], BOX_MOST_MM))
    return False


def bows(room: Box, up: int, sign: float, along: int) -> bool:
    """Whether narrow strips across the room hang under the roof, one after another ``along`` it."""
    across = 3 - up - along
    down = (sign * room.normals[:, up] < -0.9) & (
        np.abs(room.points[:, across] - (room.low + room.high)[across] / 2) < BOW_MIDDLE * room.size[across]
    )
    height = sign * room.points[down, up]
    if not len(height):
        return False
    level = np.floor(height / 5.0).astype(np.int64)
    roof = (level.min() + int(np.argmax(np.bincount(level - level.min()))) + 0.5) * 5.0
    hanging = (roof - height > BOW_MM[0]) & (roof - height < BOW_MM[1])
    at = room.points[down][hanging]
    step = np.floor((at[:, along] - room.low[along]) / BOW_STEP_MM).astype(np.int64)
    cell = np.floor(at[:, across] / CELL_MM).astype(np.int64)
    crossed = np.unique(np.column_stack([step, cell]), axis=0)[:, 0] if len(at) else np.empty(0, np.int64)
    needed = BOW_COVER * 2 * BOW_MIDDLE * room.size[across] / CELL_MM
    steps, count = np.unique(crossed, return_counts=True)
    steps = steps[count >= needed]
    runs = [run for run in np.split(steps, np.flatnonzero(np.diff(steps) > 1) + 1) if len(run)]
    return len(runs) >= BOWS and max(len(run) for run in runs) * BOW_STEP_MM <= BOW_WIDEST_MM


def stands(room: Box, up: int, sign: float) -> bool:
    """Whether clearly more surface faces up over the floor than faces down under the roof: boxes, seats, cupboards."""
    height, facing = _height(room, up, sign), sign * room.normals[:, up]
    standing = float(np.mean((height > 0.05) & (height < 0.5) & (facing > 0.7)))
    hanging = float(np.mean((height > 0.5) & (height < 0.95) & (facing < -0.7)))
    return standing > STANDING and standing > STANDING_TIMES * hanging


def _height(room: Box, up: int, sign: float) -> np.ndarray:
    """Height of each point above the floor, (n,), share of the room's."""
    base = room.low[up] if sign > 0 else room.high[up]
    return sign * (room.points[:, up] - base) / room.size[up]
