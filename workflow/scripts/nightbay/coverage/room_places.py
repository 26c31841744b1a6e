"""Where in a room a place lies: its side of the room, along, across and up; and the words for it."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from nightbay.core.language import phrase, say

Side = Literal["floor", "roof", "left wall", "right wall", "front wall", "rear wall"]
WORDS: dict[Side, str] = {
    "floor": phrase("floor, {place}"),
    "roof": phrase("roof, {place}"),
    "left wall": phrase("left wall, {place}"),
    "right wall": phrase("right wall, {place}"),
    "front wall": phrase("front wall, {place}"),
    "rear wall": phrase("rear wall, {place}"),
}
LEVEL = {  # along and across
    ("front", "left"): phrase("front left"),
    ("front", "middle"): phrase("front middle"),
    ("front", "right"): phrase("front right"),
    ("middle", "left"): phrase("middle left"),
    ("middle", "middle"): phrase("in the middle"),
    ("middle", "right"): phrase("middle right"),
    ("rear", "left"): phrase("rear left"),
    ("rear", "middle"): phrase("rear middle"),
    ("rear", "right"): phrase("rear right"),
}
BESIDE = {  # up and along
    ("upper", "front"): phrase("upper front"),
    ("upper", "middle"): phrase("upper middle"),
    ("upper", "rear"): phrase("upper rear"),
    ("middle", "front"): phrase("front, halfway up"),
    ("middle", "middle"): phrase("in the middle"),
    ("middle", "rear"): phrase("rear, halfway up"),
    ("lower", "front"): phrase("lower front"),
    ("lower", "middle"): phrase("lower middle"),
    ("lower", "rear"): phrase("lower rear"),
}
ACROSS = {  # up and across
    ("upper", "left"): phrase("upper left"),
    ("upper", "middle"): phrase("upper middle"),
    ("upper", "right"): phrase("upper right"),
    ("middle", "left"): phrase("left, halfway up"),
    ("middle", "middle"): phrase("in the middle"),
    ("middle", "right"): phrase("right, halfway up"),
    ("lower", "left"): phrase("lower left"),
    ("lower", "middle"): phrase("lower middle"),
    ("lower", "right"): phrase("lower right"),
}


@dataclass(frozen=True)
class RoomLocation:
    """Where in a room a place lies, by thirds of its length, width and height."""

    side: Side
    along: Literal["front", "middle", "rear"]
    across: Literal["left", "middle", "right"]
    up: Literal["lower", "middle", "upper"]

    def words(self) -> str:
        """The place in words, such as "floor, front left" or "left wall, upper rear"."""
        if self.side in ("floor", "roof"):
            where = LEVEL[self.along, self.across]
        elif self.side in ("left wall", "right wall"):
            where = BESIDE[self.up, self.along]
        else:
            where = ACROSS[self.up, self.across]
        return say(WORDS[self.side], place=say(where))


def location(side: Side, centre_mm: np.ndarray, room_mm: np.ndarray) -> RoomLocation:
    """Where a place (3,) on a side of the room lies; bounds ``room_mm`` (2, 3), design grid."""
    third = np.clip(np.floor(3 * (centre_mm - room_mm[0]) / (room_mm[1] - room_mm[0])), 0, 2).astype(int)
    return RoomLocation(
        side,
        ("front", "middle", "rear")[third[0]],
        ("left", "middle", "right")[third[1]],
        ("lower", "middle", "upper")[third[2]],
    )
