"""Planes of sections: their coordinates, and what a job sheet's entry asks for."""

import numpy as np
import pytest

from nightbay.sections.plane import axis_plane, oblique_plane, ordered_planes, places_of


@pytest.mark.parametrize("axis", range(3))
def test_a_plane_across_an_axis_has_the_other_coordinates_of_the_frame(axis):
    plane = axis_plane("", axis, 7.0)
    points = np.arange(12.0).reshape(4, 3)
    assert np.array_equal(plane.in_plane(points), np.delete(points, axis, axis=1))


@pytest.mark.parametrize("normal", [[0, 0, 2], [0, 0, -1], [1, 0, 0], [0, 3, 0], [1, -2, 0.5], [1e-8, 0, 1]])
def test_any_plane_is_right_handed_and_its_first_direction_is_level(normal):
    plane = oblique_plane("", [1.0, 2, 3], normal)
    unit = np.array(normal) / np.linalg.norm(normal)
    assert plane.normal == pytest.approx(unit, abs=1e-9)
    directions = np.stack([plane.across, plane.up, plane.normal])
    assert directions @ directions.T == pytest.approx(np.eye(3), abs=1e-12)
    assert plane.across[2] == pytest.approx(0.0, abs=1e-7) and (plane.up[2] >= 0.0 or abs(unit[2]) == 1.0)


def test_the_entries_of_a_job_sheet():
    (one,) = ordered_planes({"name": "belt", "axis": "z", "value_mm": 900})
    assert (one.name, one.axis, one.value_mm) == ("belt", 2, 900.0)
    along = ordered_planes({"name": "rail", "axis": "y", "from_mm": -300, "to_mm": 300, "pitch_mm": 150.0})
    assert [plane.name for plane in along] == ["rail -300", "rail -150", "rail 0", "rail 150", "rail 300"]
    (through,) = ordered_planes({"name": "screen", "point_mm": [1, 2, 3], "normal": [-1, 0, 1]})
    assert np.array_equal(through.point_mm, [1, 2, 3]) and through.normal == pytest.approx([-(0.5**0.5), 0, 0.5**0.5])
    many = ordered_planes(
        {"name": "screen", "point_mm": [1, 2, 3], "normal": [-1, 0, 1], "from_mm": 0, "to_mm": 10, "pitch_mm": 5}
    )
    distances = [(plane.point_mm - [1, 2, 3]) @ through.normal for plane in many]
    assert distances == pytest.approx([0.0, 5.0, 10.0]) and [plane.name for plane in many][2] == "screen 10"


def test_a_range_ends_on_its_last_place_in_spite_of_rounding():
    assert places_of(0.0, 0.3, 0.1) == [0.0, 0.1, 0.2, 0.3] and places_of(5.0, 4.0, 1.0) == []
