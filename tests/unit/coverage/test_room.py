"""The coverage of a plain room: what was never seen is found and named, what is open or hidden by nature is not."""

from dataclasses import replace

import numpy as np
import pytest

from nightbay.core.axes import DESIGN_GRID, ISO_8855
from nightbay.coverage import room
from nightbay.coverage.room import RoomSurface
from nightbay.frame.result import Plane

LOW, HIGH = np.array([1000.0, -850.0, 0.0]), np.array([4000.0, 850.0, 1800.0])
APART_MM = 10.0
KINDS = {
    (0, -1): "front wall", (1, -1): "left wall", (1, 1): "right wall", (2, -1): "floor", (2, 1): "roof",
    (0, 1): "rear wall",
}  # fmt: skip


def face(axis, sign, low, high, rng):
    """Points at random over a face of a box, with normals along ``-sign``; noise along them."""
    low, high = np.array(low, float), np.array(high, float)
    others = [other for other in range(3) if other != axis]
    count = round(np.prod((high - low)[others]) / APART_MM**2)
    place = rng.uniform(low, high, (count, 3))
    place[:, axis] = (high if sign > 0 else low)[axis] + rng.normal(0, 0.2, count)
    return place, np.tile(-sign * np.eye(3)[axis], (count, 1))


def plane(number, kind, axis, sign, low, high):
    """The plane of a whole face."""
    ends = np.array([low, high], float)
    ends[:, axis] = ends[1 if sign > 0 else 0, axis]
    normal = -sign * np.eye(3)[axis]
    area = float(np.prod(np.delete(ends[1] - ends[0], axis)))
    at = ends.mean(axis=0)
    return Plane(number, kind, normal, float(normal @ at), at, *ends, 0.1, 0.01, 0.2, 0.8, area, None)


def made(faces, high=HIGH):
    rng = np.random.default_rng(1)
    points, normals = (
        np.concatenate(column)
        for column in zip(*(face(axis, sign, LOW, high, rng) for axis, sign in faces), strict=True)
    )
    planes = [plane(number, KINDS[key], *key, LOW, high) for number, key in enumerate(faces, 1)]
    planes.sort(key=lambda found: -found.area_mm2)
    return RoomSurface(points, normals, np.empty((0, 3)), DESIGN_GRID, True, planes)


@pytest.fixture(scope="module")
def bay():
    """A room whose rear end is open."""
    return made([key for key in KINDS if key != (0, 1)])


def without(surface, low, high, keep=0.0):
    """The surface without the points in a box, of which a share stays."""
    inside = np.all((surface.points_mm > low) & (surface.points_mm < high), axis=1)
    left = ~inside | (np.random.default_rng(2).random(len(inside)) < keep)
    return replace(surface, points_mm=surface.points_mm[left], normals=surface.normals[left])


def having(surface, low, high, faces=tuple(KINDS)):
    """The surface with the faces of a box in the room, which hides what lies in it and behind it."""
    rng = np.random.default_rng(3)
    hidden = without(surface, np.array(low) - 1, np.array(high) + 1)
    points, normals = zip(*(face(axis, sign, low, high, rng) for axis, sign in faces), strict=True)
    return replace(
        surface,
        points_mm=np.concatenate([hidden.points_mm, *points]),
        normals=np.concatenate([hidden.normals, *(-normal for normal in normals)]),
    )


def never_seen(surface):
    return room.find(surface).never_seen


def test_of_a_whole_room_only_the_open_end_is_listed(bay):
    found = room.find(bay)
    (area,) = found.areas
    assert (area.verdict, area.view) == ("open", "rear wall")
    assert "all of this end of the room is open" in area.evidence
    assert area.area_mm2 == pytest.approx(1700 * 1800, rel=0.1)


@pytest.mark.parametrize(
    ("low", "high", "words", "m2"),
    [
        ((1100, -800, -50), (1400, -500, 50), "floor, front left", 0.09),
        ((2300, -150, -50), (2700, 150, 50), "floor, in the middle", 0.12),
        ((3300, -900, 1250), (3600, -800, 1500), "left wall, upper rear", 0.075),
        ((1200, 800, 100), (1500, 900, 500), "right wall, lower front", 0.12),
        ((900, 300, 700), (1100, 700, 1000), "front wall, right, halfway up", 0.12),
        ((3500, 300, 1750), (3800, 600, 1850), "roof, rear right", 0.09),
    ],
)
def test_a_place_without_surface_was_never_seen(bay, low, high, words, m2):
    found = room.find(without(bay, low, high))
    (area,) = found.never_seen
    assert area.place == words
    sides = np.sort(np.array(high, float) - low)[-2:]
    # the edge of a hole is found to half a cell
    assert area.area_mm2 / 1e6 == pytest.approx(m2, abs=sides.sum() * found.cell_mm / 1e6)
    middle = np.clip((np.array(low) + high) / 2, LOW, HIGH)
    assert np.linalg.norm(area.centre_mm - middle) < 60
    assert list(area.outlines_mm) == [area.view]
    assert "it can be seen from" in area.evidence


def test_a_place_round_a_corner_is_one_area(bay):
    (area,) = never_seen(without(bay, (1900, 650, 1600), (2300, 900, 1900)))
    assert set(area.outlines_mm) == {"right wall", "roof"}
    assert area.area_mm2 / 1e6 == pytest.approx(0.4 * (0.2 + 0.2), abs=0.04)


def test_a_narrow_strip_on_the_roof_belongs_to_the_place_on_the_wall_beside_it(bay):
    (area,) = never_seen(without(bay, (1900, 735, 1680), (2300, 900, 1900)))
    assert set(area.outlines_mm) == {"right wall", "roof"}
    assert area.area_mm2 / 1e6 == pytest.approx(0.4 * (0.12 + 0.115), abs=0.03)


def test_less_than_a_palm_is_not_listed(bay):
    assert never_seen(without(bay, (2000, -100, -50), (2150, 50, 50))) == []


def test_what_a_box_on_the_floor_hides_is_not_missing(bay):
    boxes = having(bay, (2500, -850, 0), (3200, -600, 300), [(0, -1), (0, 1), (1, 1), (2, 1)])
    assert never_seen(boxes) == []
    # the floor beside the box, behind it as seen from the rear, is
    (area,) = never_seen(without(boxes, (2150, -830, -50), (2490, -600, 50)))
    assert area.place == "floor, middle left"


def test_the_floor_below_a_shelf_can_be_seen_from_elsewhere(bay):
    shelf = having(bay, (2000, -850, 1100), (2800, -500, 1130), [(0, -1), (0, 1), (1, 1), (2, -1), (2, 1)])
    assert never_seen(shelf) == []
    (area,) = never_seen(without(shelf, (2100, -830, -50), (2500, -560, 50)))
    assert area.place.startswith("floor")


def test_what_a_thing_just_above_the_floor_hides_is_not_missing(bay):
    low = having(bay, (2000, -850, 120), (2800, -300, 150), [(0, -1), (0, 1), (1, 1), (2, 1)])
    assert never_seen(without(low, (1990, -860, -50), (2790, -310, 110))) == []


WINDOW = ((1800, -900, 1000), (2500, -800, 1500))


def jambs(surface, low, high, deep=30.0):
    """The surface with the frame of a window in the left wall, behind the wall."""
    rng = np.random.default_rng(4)
    points, normals = [surface.points_mm], [surface.normals]
    for axis, end, sign in ((0, 0, 1), (0, 1, -1), (2, 0, 1), (2, 1, -1)):
        place = rng.uniform((low[0], -850 - deep, low[2]), (high[0], -850, high[2]), (400, 3))
        place[:, axis] = (low, high)[end][axis]
        points.append(place)
        normals.append(np.tile(sign * np.eye(3)[axis], (len(place), 1)))
    return replace(surface, points_mm=np.concatenate(points), normals=np.concatenate(normals))


def in_left_wall(surface):
    return [area for area in room.find(surface).areas if area.view == "left wall"]


def test_a_window_that_returns_nothing_is_open_where_a_frame_follows_its_edge(bay):
    (area,) = in_left_wall(jambs(without(bay, *WINDOW), *WINDOW))
    assert area.verdict == "open"
    assert "a frame follows" in area.evidence


def test_the_same_without_a_frame_was_never_seen(bay):
    (area,) = in_left_wall(without(bay, *WINDOW))
    assert area.verdict == "never seen"
    assert "unless it is a window on one side only" in area.evidence


def test_ribs_beside_a_place_are_no_frame(bay):
    ribbed = bay
    for x in (1720, 2500):
        ribbed = having(ribbed, (x, -850, 10), (x + 80, -810, 1790), [(0, -1), (0, 1), (1, 1)])
    for z in (940, 1500):
        ribbed = having(ribbed, (1800, -850, z), (2500, -810, z + 60), [(2, -1), (2, 1), (1, 1)])
    assert in_left_wall(ribbed) == []
    (area,) = in_left_wall(without(ribbed, (1801, -900, 1001), (2499, -840, 1499)))
    assert area.verdict == "never seen"


def test_glass_that_returns_some_points_is_open(bay):
    (area,) = in_left_wall(without(bay, *WINDOW, keep=0.03))
    assert area.verdict == "open"
    assert "scattered points come back" in area.evidence


def test_windows_on_both_sides_that_return_nothing_are_no_verdict(bay):
    both = without(without(bay, *WINDOW), (1800, 800, 1000), (2500, 900, 1500))
    found = room.find(both)
    assert found.never_seen == []
    assert "it looks the same on both sides" in in_left_wall(both)[0].evidence


def test_what_both_sides_miss_in_no_form_of_a_window_was_never_seen(bay):
    """The same triangle in both walls."""
    across = bay.points_mm[:, 0] - 1800 < 1.4 * (bay.points_mm[:, 2] - 1000)
    gone = across & (bay.points_mm[:, 0] > 1800) & (bay.points_mm[:, 2] < 1500) & (np.abs(bay.points_mm[:, 1]) > 800)
    found = never_seen(replace(bay, points_mm=bay.points_mm[~gone], normals=bay.normals[~gone]))
    assert {area.view for area in found} == {"left wall", "right wall"}


def test_what_both_sides_of_the_floor_miss_was_never_seen(bay):
    both = without(without(bay, (2000, -700, -50), (2300, -400, 50)), (2000, 400, -50), (2300, 700, 50))
    assert len(never_seen(both)) == 2


def test_a_door_in_one_side_is_open(bay):
    (area,) = in_left_wall(without(bay, (1500, -900, 60), (2500, -800, 1600)))
    assert area.verdict == "open"
    assert "as a door does" in area.evidence


def test_what_shows_outside_makes_a_place_open(bay):
    rng = np.random.default_rng(5)
    outside = rng.uniform((1800, -1900, 1000), (2500, -1890, 1500), (4000, 3))
    opened = without(bay, *WINDOW)
    opened = replace(
        opened,
        points_mm=np.concatenate([opened.points_mm, outside]),
        normals=np.concatenate([opened.normals, np.tile([0.0, 1.0, 0.0], (len(outside), 1))]),
    )
    (area,) = in_left_wall(opened)
    assert area.verdict == "open"
    assert "surface outside the room shows through it" in area.evidence


def test_of_two_open_ends_the_front_was_never_seen(bay):
    found = room.find(
        without(replace(bay, planes=[p for p in bay.planes if p.kind != "front wall"]), LOW - 50, (1050, 900, 1900))
    )
    assert [(area.verdict, area.view) for area in found.areas] == [("never seen", "front wall"), ("open", "rear wall")]


def test_a_bed_is_open_above_and_a_high_room_is_not():
    faces = [key for key in KINDS if key not in ((2, 1),)]
    bed = room.find(made(faces, high=np.array([4000.0, 850.0, 500.0])))
    assert [(area.verdict, area.view) for area in bed.areas] == [("open", "roof")]
    high = room.find(made(faces))
    assert [(area.verdict, area.view) for area in high.areas] == [("never seen", "roof")]


def test_where_the_ends_are_not_known_any_wall_may_be_open(bay):
    faces = [key for key in KINDS if key != (1, 1)]
    assert [area.view for area in never_seen(made(faces))] == ["right wall"]
    assert never_seen(replace(made(faces), along_decided=False)) == []


def test_places_come_back_in_the_frame_of_the_points(bay):
    turn = np.array([-1.0, -1.0, 1.0])
    planes = [
        replace(
            p, normal=p.normal * turn, low_mm=np.minimum(p.low_mm * turn, p.high_mm * turn),
            high_mm=np.maximum(p.low_mm * turn, p.high_mm * turn),
        )
        for p in bay.planes
    ]  # fmt: skip
    turned = replace(
        bay, points_mm=bay.points_mm * turn, normals=bay.normals * turn, axes=ISO_8855, planes=planes
    )  # fmt: skip
    (area,) = never_seen(without(turned, (-1400, 500, -50), (-1100, 800, 50)))
    assert area.place == "floor, front left"
    assert area.centre_mm == pytest.approx([-1250, 650, 0], abs=40)
    assert np.all(area.low_mm <= area.high_mm)


def test_points_too_far_apart_show_nothing(bay):
    sparse = replace(bay, points_mm=bay.points_mm[::20], normals=bay.normals[::20])
    found = room.find(sparse)
    assert found.areas == []
    assert "mm are needed" in found.reason
