"""The room on a job's page: warnings at the top, numbers of planes in the drawing, the table of sizes."""

from dataclasses import replace

import numpy as np
import pytest
import trimesh

import marked_pages
import part_results
import typed_results
from nightbay.core import language
from nightbay.core.axes import DESIGN_GRID
from nightbay.core.text_format import THIN
from nightbay.frame.result import Decision, Heading, Plane, Room
from nightbay.measure.result import Dimension, MeasureResult, RoomSize, TouchPoints
from nightbay.meshes.surface import Surface
from nightbay.report import job_summary, job_warnings, part_page, picture, room_summary, room_views
from nightbay.report.part import Part

SURE, UNSURE = Decision(True, "walls lean in towards the roof", None), Decision(False, "assumed", "nothing shows it")


def plane(number, normal, centre):
    made = typed_results.made(
        Plane, number=number, normal=np.array(normal, float), centre_mm=np.array(centre, float), area_mm2=4e6,
        flatness_rms_mm=0.2, flatness_range_mm=0.8, angle_to_floor_deg=0.0,
    )  # fmt: skip
    return replace(made, kind="floor")


def frame(up=SURE, along=SURE, heading=("job sheet", False), found_by=("kept", "middle", "floor plane")):
    planes = [
        plane(1, [0, 0, 1], [1000, 0, 0]),
        plane(2, [0, 0, -1], [1000, 0, 1800]),
        plane(3, [-1, 0, 0], [3000, 0, 900]),
    ]
    made = part_results.frame([0, -800, 0], [3000, 800, 1800], found_by=found_by)
    return replace(made, room=Room(planes, up, along), heading=Heading(*heading))


def interior(made):
    size = typed_results.made(
        Dimension, meaning="between the bare walls", value_mm=1600.0, uncertainty_mm=0.4, coverage=2.0, unknown=[],
        points_mm=TouchPoints(np.array([1500.0, 800, 100]), np.array([1500.0, -800, 100])), at_20_c=None,
    )  # fmt: skip
    measure = typed_results.made(MeasureResult, room=[RoomSize("width_floor", "Width at floor height", size, [4, 5])])
    return typed_results.made(Part, name="interior", frame=made, measure=measure)


def page_of(part):
    """The page of a room, and its views."""
    box = trimesh.creation.box(bounds=[[0, -800, 0], [3000, 800, 1800]])
    mesh = Surface(box.vertices.astype(np.float32), box.faces[:, ::-1].astype(np.int32))
    views = room_views.draw(part, picture.Scene(mesh, DESIGN_GRID, 300, cull=True), 66.0)
    entry = {
        "part": part, "network_picture": None, "views": {}, "maps": [], "room_views": views,
        "room_titles": {name: language.say(title) for name, title in room_views.TITLES.items()},
    }  # fmt: skip
    html = part_page.render(
        "job.html.j2", job="bay", sheet={"title": "bay", "vehicle_class": "van"}, state="complete", summary="",
        warnings=[], parts=[entry], dimension_names={}, parameters="", versions={},
    )  # fmt: skip
    return html, views


@pytest.mark.parametrize(
    ("made", "sentence"),
    [
        (frame(found_by=("kept",) * 3), "The interior has no frame: which way is up was not found"),
        (frame(found_by=("kept", "kept", "floor plane")), "The middle of the interior was not found"),
        (frame(up=UNSURE), "which of them is the floor is assumed"),
        (frame(along=UNSURE), "Which way the interior's length runs is assumed"),
        (frame(heading=("kept", False)), "Which end of the interior is the front is not known"),
        (frame(heading=("open end", True)), "Which end of the interior is the front is assumed"),
    ],
)
def test_an_interior_without_a_decided_frame_is_a_warning(made, sentence):
    found = job_warnings.warnings_of([interior(made)], {})
    assert len(found) == 1 and sentence in found[0] and found[0].step.endswith(".")
    assert job_summary.state_of([interior(made)], found) == job_summary.WARNED


def test_the_summary_has_the_sizes_between_the_walls():
    part = interior(frame())
    through_the_door = replace(part.measure.room[0].size, value_mm=1950.0, unscanned_ends=[])
    inside = replace(part.measure.room[0].size, unscanned_ends=[])
    room = [replace(part.measure.room[0], size=inside)]
    measure = replace(part.measure, dimensions={"inner_width": through_the_door}, room=room)
    others = dict.fromkeys(("network", "refine", "frame", "fuse", "fill", "reduce", "deliver"))
    made = Part("interior", [], {}, measure=measure, **others)
    assert f"1{THIN}600{THIN}mm wide inside" in job_summary.summary_of(made)


def test_a_decided_frame_is_no_warning():
    assert job_warnings.warnings_of([interior(frame())], {}) == []
    assert room_summary.warnings(None) == []


def test_the_page_draws_the_room_and_lists_its_sizes_and_planes():
    html, views = page_of(interior(frame()))
    assert "Width, floor" in views["top"].svg and ">1</text>" in views["top"].svg
    assert ">2</text>" in views["left"].svg  # the roof, which no view from inside shows face on
    assert "Width at floor height" in html and "4, 5" in html
    assert "Planes of the room: 3" in html


@pytest.mark.parametrize(
    ("key", "view", "words", "ends"),
    [
        ("opening_width_right_wall_2", "left", "Opening 2, width", ([1900.0, 800, 700], [900.0, 800, 700])),
        ("opening_height_right_wall_2", "left", "Opening 2, height", ([1900.0, 800, 1500], [1900.0, 800, 300])),
        ("opening_width_left_wall_1", "right", "Opening 1, width", ([1900.0, -800, 700], [900.0, -800, 700])),
        ("opening_height_rear_wall_1", "front", "Opening 1, height", ([3000.0, 0, 1500], [3000.0, 0, 300])),
        ("opening_width_front_wall_1", "rear", "Opening 1, width", ([0.0, 400, 700], [0.0, -400, 700])),
        ("rear_opening_width_belt", "rear", "Open end, belt", ([3000.0, 800, 900], [3000.0, -800, 900])),
        ("front_opening_height", "front", "Open end", ([0.0, 0, 1800], [0.0, 0, 0])),
    ],
)
def test_an_aperture_is_drawn_where_its_wall_shows(key, view, words, ends):
    part = interior(frame())
    size = replace(part.measure.room[0].size, value_mm=1234.0, points_mm=TouchPoints(*map(np.array, ends)))
    measure = replace(part.measure, room=[*part.measure.room, RoomSize(key, "Clear width", size, [])])
    _, views = page_of(replace(part, measure=measure))
    shown = [name for name, made in views.items() if f"1{THIN}234.00 ± 0.40{THIN}mm" in made.svg]
    assert shown == [view]
    assert f">{words}</text>" in views[view].svg and f"{words} 1{THIN}234" in views[view].svg  # drawn, and in words


@pytest.mark.parametrize("made", [frame(), frame(up=UNSURE, along=UNSURE, heading=("open end", True))])
def test_every_word_of_a_room_is_a_message(made):
    with language.use(marked_pages.LANGUAGE):
        html, _ = page_of(interior(made))
    assert marked_pages.unmarked(html, {"bay", "van"}) == []


def test_a_room_without_a_floor_is_not_drawn():
    part = interior(frame(found_by=("kept",) * 3))
    assert room_views.draw(part, None, 66.0) == {}
