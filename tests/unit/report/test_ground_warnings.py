"""A plane that was taken for the ground and is not used is a warning with what may be missing, and with what to do."""

from dataclasses import replace

import numpy as np
import pytest

import part_results
from nightbay.core.text_format import THIN
from nightbay.frame.result import GroundLeftOut
from nightbay.report import ground_warnings, job_summary, job_warnings
from nightbay.report.part import Part

SIDE = GroundLeftOut("right", 0.63, 90.0, 812.4, ["front", "left"], True)
WALL = replace(SIDE, below_share=0.0, refused=False)


def warnings(*listed):
    frame = part_results.frame(np.zeros(3), np.ones(3), found_by=("front axle", "symmetry", "ground plane"))
    stages = dict.fromkeys(("network", "refine", "fuse", "fill", "reduce", "deliver", "measure"))
    part = Part("exterior", [], {}, frame=replace(frame, state="vehicle", grounds_left_out=list(listed)), **stages)
    found = job_warnings.warnings_of([part], {"parameters": {}, "parts": {}})
    assert ground_warnings.warnings(part.frame) == found
    assert (job_summary.state_of([part], found) == job_summary.WARNED) is bool(listed)
    return found


def test_without_one_there_is_no_warning():
    assert warnings() == ground_warnings.warnings(None) == []


@pytest.mark.parametrize(
    ("left", "said"),
    [
        (SIDE, f"is none: 63.0{THIN}% of the scanned points lie below it"),
        (WALL, f"differs from the ground of front and left by 90.0° and 812{THIN}mm"),
    ],
)
def test_it_says_by_what_it_is_none_and_what_may_be_missing(left, said):
    (found,) = warnings(left)
    assert found.startswith("In segment right a surface was taken for the ground that ")
    assert said in found and "surface of the vehicle may be missing" in found
    assert found.step.startswith("Look at segment right in the model before you use it")


def test_grounds_of_which_nothing_shows_the_right_one_are_one_warning():
    other = replace(WALL, segment="left", against=["right"], apart_mm=790.0)
    (found,) = warnings(replace(WALL, against=["left"]), other)
    assert f"segments right and left contradict each other by up to 90.0° and 812{THIN}mm" in found
    assert found.step.startswith("Scan the wheels down to the ground too")
    both = warnings(replace(SIDE, segment="rear", against=["left", "right"]), replace(WALL, against=["left"]), other)
    assert [each.split(" ")[:3] for each in both] == [["In", "segment", "rear"], ["The", "grounds", "of"]]
