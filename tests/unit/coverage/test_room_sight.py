"""Lines of sight in a room: what stands there blocks them, and a scanner does not stand in it."""

import numpy as np
import pytest

from nightbay.coverage import room_sight

ROOM = np.array([[0.0, 0, 0], [2000, 1600, 1600]])
FLOOR = np.array([0.0, 0, 1])


def grid(low, high, apart=10.0):
    """Points over a box's bounds, whatever is flat of it filled."""
    axes = [np.arange(a, b + 1, apart) for a, b in zip(low, high, strict=True)]
    return np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)


def box(low, high):
    low, high = np.array(low, float), np.array(high, float)
    faces = []
    for axis in range(3):
        for end in (low, high):
            ends = [low.copy(), high.copy()]
            ends[0][axis] = ends[1][axis] = end[axis]
            faces.append(grid(*ends))
    return np.concatenate(faces)


SHELL = box(*ROOM)


def share(points, place):
    cells = room_sight.space(points, ROOM, 20.0)
    return float(room_sight.in_sight(cells, room_sight.viewpoints(cells), np.array([place], float), FLOOR)[0])


def test_all_of_a_free_room_sees_its_floor():
    assert share(SHELL, (1000, 800, 0)) == 1.0


def test_nothing_sees_the_floor_in_a_closed_box():
    assert share(np.concatenate([SHELL, box((800, 600, 0), (1300, 1100, 400))]), (1050, 850, 0)) == 0.0


def test_a_shelf_hides_the_floor_from_above_only():
    seen = share(np.concatenate([SHELL, box((600, 0, 400), (1500, 700, 420))]), (1050, 400, 0))
    assert 0.05 < seen < 0.8


def test_positions_keep_clear_of_surface_and_out_of_what_stands_there():
    cells = room_sight.space(np.concatenate([SHELL, box((200, 200, 0), (900, 900, 900))]), ROOM, 20.0)
    found = room_sight.viewpoints(cells)
    assert len(found) > 100
    inside = np.all((found > (200, 200, 0)) & (found < (900, 900, 900)), axis=1)
    assert not inside.any()
    assert found.min() > 180.0 and np.all(found < ROOM[1] - 180.0)


def test_a_room_that_is_full_has_no_position():
    assert len(room_sight.viewpoints(room_sight.space(grid(*ROOM, apart=40.0), ROOM, 60.0))) == 0


def test_too_steep_a_look_does_not_count():
    cells = room_sight.space(SHELL, ROOM, 20.0)
    far = np.array([[1800.0, 800, 200]])
    assert room_sight.in_sight(cells, far, np.array([[200.0, 800, 0]]), FLOOR)[0] == pytest.approx(0.0)
    assert room_sight.in_sight(cells, far, np.array([[1750.0, 800, 0]]), FLOOR)[0] == pytest.approx(1.0)
