"""The verdict on a place of a room by its signs, its words, and those for where it lies."""

from dataclasses import replace

import numpy as np
import pytest

from nightbay.coverage import room_places
from nightbay.coverage.room_signs import RoomSigns

PLAIN = RoomSigns(
    in_sight=0.8, mirrored=None, returns=0.0, looked_at=False, through=False, framed=0.05, doorway=False, window=False,
    open_end=False,
)  # fmt: skip


@pytest.mark.parametrize(
    ("signs", "never_seen", "words"),
    [
        ({}, True, "it can be seen from 80\u202f% of the room in front of it, no frame follows its edge"),
        ({"mirrored": 0.1}, True, "no point comes back from it"),
        ({"mirrored": 0.9}, True, "the other side has surface over 90\u202f% of it, this side has none, and it can be"),
        ({"mirrored": 0.9, "window": True}, True, "(unless it is a window on one side only)"),
        ({"window": True}, True, "no frame follows its edge"),
        ({"mirrored": 0.1, "window": True}, False, "it looks the same on both sides, as windows do"),
        ({"doorway": True}, False, "as a door does"),
        ({"open_end": True, "looked_at": True}, False, "all of this end of the room is open"),
        (
            {"framed": 0.62, "through": True},
            False,
            "a frame follows 62\u202f% of its edge and surface outside the room shows through it: check that this is a "
            "window, a door or another opening",
        ),
        ({"mirrored": 0.9, "looked_at": True}, False, "scattered points come back from all over it"),
        ({"framed": None}, True, "no frame follows its edge"),
    ],
)
def test_verdict_and_words(signs, never_seen, words):
    found = replace(PLAIN, **signs)
    assert found.never_seen == never_seen
    assert words in found.words()


ROOM = np.array([[0.0, -900, 0], [3000, 900, 1800]])


@pytest.mark.parametrize(
    ("side", "centre", "words"),
    [
        ("floor", (200, -600, 0), "floor, front left"),
        ("floor", (1500, 0, 0), "floor, in the middle"),
        ("roof", (2900, 600, 1800), "roof, rear right"),
        ("left wall", (2900, -900, 1700), "left wall, upper rear"),
        ("right wall", (1500, 900, 900), "right wall, in the middle"),
        ("front wall", (0, -800, 200), "front wall, lower left"),
        ("rear wall", (3000, 0, 1700), "rear wall, upper middle"),
        ("floor", (-50, -950, 0), "floor, front left"),
    ],
)
def test_where_a_place_lies(side, centre, words):
    assert room_places.location(side, np.array(centre, float), ROOM).words() == words
