"""Openings: what each is as far as its size shows, and marks on its own boundary in the view that shows it best."""

from dataclasses import replace

import numpy as np
import pytest
import trimesh

from nightbay.core.axes import AS_SCANNED, DESIGN_GRID, ISO_8855
from nightbay.fill.result import Opening
from nightbay.meshes import surface
from nightbay.report import openings, picture

LOW, HIGH = np.array([-1000.0, -800, 0]), np.array([3000.0, 800, 1500])
MIDDLE = (LOW + HIGH) / 2


@pytest.fixture(scope="module")
def body():
    mesh = trimesh.creation.box(bounds=[LOW, HIGH])
    return surface.Surface(mesh.vertices.astype(np.float32), mesh.faces.astype(np.int32))


def square(axis, side, kind="large", half_mm=150.0):
    """An opening in a side of the body: the square about its middle, its boundary on the surface."""
    centre = MIDDLE.copy()
    centre[axis] = (LOW, HIGH)[side][axis]
    first, second = (other for other in range(3) if other != axis)
    rim = np.tile(centre, (4, 1))
    rim[:, first] += half_mm * np.array([-1, 1, 1, -1])
    rim[:, second] += half_mm * np.array([-1, -1, 1, 1])
    size = np.full(3, 2 * half_mm)
    size[axis] = 0.0
    return Opening(kind, centre, size, 4 * half_mm**2, 8 * half_mm, rim)


@pytest.mark.parametrize(
    ("axis", "side", "view"), [(1, 0, "left"), (1, 1, "right"), (0, 0, "front"), (0, 1, "rear"), (2, 1, "top")]
)
@pytest.mark.parametrize("kind", ["large", "rim", "folded"])
def test_every_kind_is_numbered_on_its_own_boundary_in_the_view_that_shows_it(body, axis, side, view, kind):
    opening = square(axis, side, kind)
    for convention in (DESIGN_GRID, AS_SCANNED):
        listed, marks = openings.shown([opening], picture.Scene(body, convention, 300), 5)
        assert listed[0].view == view and list(marks) == [view]
        (mark,) = marks[view]
        assert any(np.array_equal(mark.point_mm, point) for point in opening.boundary_mm)


def test_views_are_named_by_the_convention(body):
    scene = picture.Scene(body, ISO_8855, 300)  # whose left side is at high Y
    assert openings.shown([square(1, 0)], scene, 5)[0][0].view == "right"


def test_an_opening_underneath_is_listed_without_a_picture_and_only_the_largest_carry_numbers(body):
    scene = picture.Scene(body, DESIGN_GRID, 300)
    listed, marks = openings.shown([square(2, 0), square(1, 0), square(1, 1)], scene, 2)
    assert [shown.view for shown in listed] == [None, "left", None] and [m.number for m in marks["left"]] == [2]
    assert openings.shown([replace(square(1, 0), boundary_mm=None)], scene, 2)[1] == {}


@pytest.mark.parametrize(
    ("size", "centre", "words"),
    [
        ([3900, 1500, 400], [1000, 0, 200], "edge of the scan, underneath"),
        ([3900, 300, 1000], [1000, -700, 700], "edge of the scan, left"),
        ([200, 1500, 1200], [2900, 0, 700], "edge of the scan, at the rear"),
        ([3900, 100, 100], [1000, -700, 200], openings.WORDS["rim"]),
    ],
)
def test_what_spans_half_of_the_part_two_ways_is_an_edge_of_the_scan(size, centre, words):
    there = Opening("rim", np.array(centre, float), np.array(size, float), 1e6, 1e4)
    assert openings.kind_of(there, LOW, HIGH, DESIGN_GRID)[1] == words


def test_areas_are_summed_by_kind_and_the_rest_is_counted(body):
    underside = Opening("rim", np.array([1000.0, 0, 100]), np.array([3900.0, 1500, 200]), 5e6, 1e4)
    listed, _ = openings.shown([underside, square(1, 0), square(1, 1, "rim")], picture.Scene(body, DESIGN_GRID, 100), 0)
    found = openings.areas(listed, 5e6 + 3 * 9e4, 7)
    assert found.listed == [("1 edge of the scan", 5e6), ("1 hole in a panel", 9e4), ("1 free edge of a sheet", 9e4)]
    assert (found.rest_mm2, found.rest) == (9e4, 4)


def test_runs_are_the_shown_stretches_of_a_closed_boundary():
    boundary = np.arange(18.0).reshape(6, 3)
    shows = np.array([True, True, False, True, False, True])
    stretches = openings.runs(boundary, shows)
    assert [stretch[:, 0].tolist() for stretch in stretches] == [[0, 3], [15, 0]]
    assert len(openings.runs(boundary, np.ones(6, bool))[0]) == 7


def test_a_boundary_with_few_points_is_marked_but_not_drawn(body):
    scene = picture.Scene(body, DESIGN_GRID, 300)
    near = replace(square(1, 0, half_mm=30.0))
    assert openings.shown([near], scene, 1)[1]["left"][0].lines_mm
    far = replace(near, perimeter_mm=5000.0)
    assert not openings.shown([far], scene, 1)[1]["left"][0].lines_mm
