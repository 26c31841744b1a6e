"""The table of the ways to the zero planes, and the warnings where they contradict each other."""

from dataclasses import replace

import numpy as np

import part_results
from nightbay.core import language
from nightbay.core.text_format import THIN
from nightbay.frame.result import Difference, FiducialResult, Way
from nightbay.report import frame_ways, part_page

FOUND_BY = ("front axle", "symmetry plane of the part", "ground plane")


def frame(offset_mm=0.4, significant=False):
    made = part_results.frame(np.zeros(3), np.ones(3), found_by=FOUND_BY)
    ways = [
        Way("y", "symmetry plane of the part", True, 90, "points", ["left", "right"], 0.05, []),
        Way(
            "y",
            "midpoint of the rear axle",
            False,
            2,
            "wheels",
            [],
            0.03,
            [
                Difference("position", offset_mm, 0.1, "mm", 3.0, significant),
                Difference("rotation about Z", 0.012, 0.004, "deg", 0.15, False),
            ],
        ),
        Way("z", "ground plane", True, 1, "segments", ["left"], 0.2, []),
    ]
    return replace(made, ways=ways)


def test_each_way_has_a_row_with_what_it_rests_on_and_how_it_differs():
    symmetry, axle, ground = frame_ways.rows(frame())
    assert (symmetry.plane, symmetry.used, symmetry.rests_on, symmetry.differences) == ("Y", True, "90 points", [])
    assert axle.rests_on == "2 wheels" and not axle.significant
    assert axle.differences == [
        f"position +0.40{THIN}mm ± 0.20{THIN}mm",
        "rotation about Z +0.012° ± 0.008°",
    ]
    assert ground.rests_on == "1 segment: left"


def test_a_contradiction_is_a_warning_with_both_ways_and_the_difference():
    assert frame_ways.warnings(frame()) == []
    (found,) = frame_ways.warnings(frame(-9.5, significant=True))
    assert found.startswith("Zero Y by the symmetry plane of the part and by the midpoint of the rear axle contradict")
    assert f"position −9.50{THIN}mm ± 0.20{THIN}mm" in found and "rotation" not in found
    assert found.step.startswith("Check the wheels, the ground and the fiducials of zero Y")


def test_a_frame_with_one_way_to_each_plane_has_no_table():
    made = frame()
    assert frame_ways.rows(replace(made, ways=[way for way in made.ways if way.used])) == []
    assert frame_ways.rows(None) == frame_ways.warnings(None) == []


def test_fiducials_are_listed_with_their_differences():
    listed = [FiducialResult("target 7", {"x": None, "y": 1.25, "z": -0.5}, {"x": None, "y": 0.5, "z": 0.5})]
    ((name, found),) = frame_ways.fiducials_in_words(replace(frame(), fiducials=listed))
    assert name == "target 7"
    assert found == [f"Y +1.25{THIN}mm ± 1.00{THIN}mm", f"Z −0.50{THIN}mm ± 1.00{THIN}mm"]


def test_the_fragment_shows_them(tmp_path):
    made = replace(frame(-9.5, significant=True), fiducials=[FiducialResult("target 7", {"x": 1.0}, {"x": 0.5})])
    with language.use(language.of_code("en")):
        html = part_page.render(template="frame_ways.html.j2", part={"frame": made}, frame=made)
    assert html.count("<tr>") == 4 and "contradicts" in html and "target 7: X +1.00" in html
