"""Openings against their construction. The scene's noise is 0.1 mm at hundreds of points an edge: an edge's noise is
below 0.02 mm, and 0.1 mm is five times that."""

import numpy as np
import pytest
import trimesh

import blockcar
from nightbay.measure import wall_openings
from nightbay.measure.room import Room
from room_scenes import HEIGHT, LENGTH, WIDTH, shell

HALF = WIDTH / 2
DOOR = ((700.0, 1700.0), (60.0, 1560.0))  # along X, up
FACE_MM = 0.1


def patch(*corners):
    return trimesh.Trimesh(np.array(corners, float), [[0, 1, 2], [0, 2, 3]], process=False)


def door(depth=40.0, sill=DOOR[1][0], lean=0.0):
    """A room with a door in its right wall, whose passage is ``depth`` deep; ``sill``: height of its lower edge;
    ``lean``: how far the upper end of the rear edge leans into the opening."""
    (u0, u1), (_, v1) = DOOR
    v0 = sill
    parts = []
    for (a0, a1), (b0, b1) in (
        ((0, u0), (0, HEIGHT)), ((u1, LENGTH), (0, HEIGHT)), ((u0, u1), (0, v0)), ((u0, u1), (v1, HEIGHT)),
    ):  # fmt: skip
        parts.append(patch((a0, HALF, b0), (a1, HALF, b0), (a1, HALF, b1), (a0, HALF, b1)))
    lines = (
        ((u0, v0), (u0, v1)), ((u1, v0), (u1 - lean, v1)), ((u0, v0), (u1, v0)), ((u0, v1), (u1, v1)),
    )  # fmt: skip
    for (a, b), (c, d) in lines:
        if depth:
            parts.append(patch((a, HALF, b), (c, HALF, d), (c, HALF + depth, d), (a, HALF + depth, b)))
    box = trimesh.creation.box(bounds=[[0, -HALF, 0], [LENGTH, HALF, HEIGHT]])
    box.update_faces(box.triangles_center[:, 1] < HALF - 1)
    return trimesh.util.concatenate([box, *parts])


def scanned(mesh, keep=lambda points: np.ones(len(points), bool), count=400_000):
    """A scan of a room seen from its middle: what it has of openings {key: size}, and notes."""
    points, normals = blockcar.scan(mesh, count, 3, 0.1)
    towards = np.einsum("ij,ij->i", np.array([LENGTH / 2, 0, HEIGHT / 2]) - points, normals) > 0
    normals = np.where(towards[:, None], normals, -normals)
    there = keep(points)
    room = Room(shell(mesh, points=(points[there], normals[there])), 900.0)
    wall_openings.add(room)
    return {entry.key: entry for entry in room.sizes}, room.notes


def test_a_door_with_a_passage_is_measured_between_its_faces():
    found, notes = scanned(door())
    width, height = found["opening_width_right_wall_1"], found["opening_height_right_wall_1"]
    assert width.title == "Clear width of opening 1 in the right wall"
    assert width.size.value_mm == pytest.approx(1000.0, abs=FACE_MM)
    assert height.size.value_mm == pytest.approx(1500.0, abs=FACE_MM)
    assert width.size.uncertainty_mm < FACE_MM and "spacing" not in width.size.budget_mm
    assert len(found) == 2 and not notes


def test_the_least_clear_width_counts_where_a_frame_leans():
    found, _ = scanned(door(lean=20.0))
    size = found["opening_width_right_wall_1"].size
    # 20 mm over the whole height, of which the lower 85 % count
    assert size.value_mm == pytest.approx(1000.0 - 0.85 * 20.0, abs=2 * FACE_MM)
    assert size.points_mm.high[2] == pytest.approx(60 + 0.85 * 1500, abs=60)


def test_the_edge_of_a_thin_sheet_is_uncertain_by_the_distance_of_its_points():
    found, _ = scanned(door(depth=0.0))
    for key, true in (("opening_width_right_wall_1", 1000.0), ("opening_height_right_wall_1", 1500.0)):
        size = found[key].size
        assert abs(size.value_mm - true) <= size.uncertainty_mm
        # two edges, each within half of the 7 mm between points: 2 sqrt(2) 3.5 / sqrt(3) = 5.7 mm
        assert size.budget_mm["spacing"] > 0 and 4.0 < size.uncertainty_mm < 8.0


def test_a_thin_sill_and_not_the_floor_before_it_is_the_lower_edge():
    found, _ = scanned(door(depth=0.0, sill=30.0), count=600_000)
    size = found["opening_height_right_wall_1"].size
    assert abs(size.value_mm - (DOOR[1][1] - 30.0)) <= size.uncertainty_mm < 8.0


def ragged(points):
    """All but the wall about the door's rear edge, which the scan misses by 100 to 250 mm."""
    rng = np.random.default_rng(1)
    reach = np.interp(points[:, 2], np.linspace(-100, HEIGHT + 100, 40), rng.uniform(100, 250, 40))
    beside = (points[:, 2] > DOOR[1][0]) & (points[:, 2] < DOOR[1][1])
    return ~((np.abs(points[:, 0] - DOOR[0][1]) < reach) & beside & (points[:, 1] > HALF - 5))


def test_an_opening_with_an_edge_that_was_not_seen_is_refused():
    found, notes = scanned(door(), ragged)
    assert not found
    assert len(notes) == 1
    assert notes[0].startswith(
        "The clear width and height of opening 1 in the right wall can't be stated: its rear edge "
    )
    assert notes[0].endswith("scan this edge from the room and from outside.")


def test_a_passage_of_which_one_face_was_seen_in_part_is_refused():
    def keep(points):
        behind = points[:, 1] > HALF + 1
        return ~(behind & (np.abs(points[:, 0] - DOOR[0][0]) < 1) & (points[:, 2] > 700))

    found, notes = scanned(door(), keep)
    assert not found
    assert "the face of its passage was seen over" in notes[0]


def test_a_door_up_to_the_roof_does_not_end_at_the_roof():
    """What was not seen of the wall above a door is no part of it, though the roof closes the gap."""
    found, notes = scanned(door(), lambda points: ~((points[:, 1] > HALF - 5) & (points[:, 2] > 1400)))
    assert not found and len(notes) <= 1


def test_a_small_gap_of_the_scan_is_no_opening():
    def keep(points):
        rng = np.random.default_rng(2)
        reach = np.interp(points[:, 2], np.linspace(-100, HEIGHT + 100, 40), rng.uniform(200, 300, 40))
        gap = (np.abs(points[:, 0] - 1500) < reach) & (np.abs(points[:, 2] - 900) < 250)
        return ~(gap & (points[:, 1] > HALF - 5))

    room = trimesh.creation.box(bounds=[[0, -HALF, 0], [LENGTH, HALF, HEIGHT]])
    found, notes = scanned(room, keep)
    assert not found and not notes
