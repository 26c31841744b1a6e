"""What a job sheet says of sections: what is refused, and which part gets which entries."""

import pytest

from nightbay.planning import section_entries

BELT = {"name": "belt", "axis": "z", "value_mm": 900.0}
SCREEN = {"name": "screen", "point_mm": [0, 0, 900], "normal": [1, 0, 1]}


def faults(*entries, parts=("exterior",)):
    return section_entries.faults("larch/job.yaml", entries, parts)


def test_sound_entries():
    series = {"name": "rail", "axis": "y", "from_mm": -600, "to_mm": 600, "pitch_mm": 300}
    slanted = {**SCREEN, "name": "slanted", "from_mm": 0, "to_mm": 10, "pitch_mm": 5}
    assert faults(BELT, SCREEN, series, slanted) == []


@pytest.mark.parametrize(
    ("entry", "sentence"),
    [
        ({"name": "a"}, "needs either axis, or point_mm and normal; it has none of them."),
        ({**BELT, "normal": [1, 0, 0]}, "needs either axis, or point_mm and normal; it has axis and normal."),
        ({"name": "a", "point_mm": [0, 0, 0]}, "needs either axis, or point_mm and normal; it has point_mm."),
        (
            {**SCREEN, "normal": [0, 0.0, 0]},
            "has a normal of length zero, which gives no direction: state one such as [0, 0, 1].",
        ),
        ({"name": "a", "axis": "x"}, "needs either value_mm, or a range of from_mm, to_mm and pitch_mm."),
        ({**BELT, "pitch_mm": 5}, "lacks from_mm and to_mm: a range has from_mm, to_mm and pitch_mm."),
        ({**SCREEN, "value_mm": 5}, "has value_mm, which belongs to an axis: the plane goes through point_mm."),
        (
            {"name": "a", "axis": "x", "from_mm": 5, "to_mm": 1, "pitch_mm": 1},
            "has a range from 5 to 1 mm: exchange from_mm and to_mm.",
        ),
        (
            {**BELT, "part": "interior"},
            "is for the interior, and the job has only an exterior: remove the entry or its key 'part'.",
        ),
    ],
)
def test_what_can_t_be_used_is_said_in_one_sentence(entry, sentence):
    assert faults(entry) == [f"larch/job.yaml: 'sections.0' {sentence}"]


def test_a_name_is_used_once():
    assert faults(BELT, BELT) == ["larch/job.yaml: 'sections' has the name 'belt' twice; give each section its own."]


def test_a_page_holds_so_many_planes_of_a_part():
    fine = {"name": "fine", "axis": "x", "from_mm": 0.0, "to_mm": 1990.0, "pitch_mm": 10.0}
    assert faults(fine) == []
    assert faults(fine, BELT) == [
        "larch/job.yaml: 'sections' asks for 201 planes of the exterior, and a page holds at most 200: make 'pitch_mm' "
        "larger or the ranges shorter."
    ]
    assert faults(fine, {**BELT, "part": "interior"}, parts=("exterior", "interior")) == []


def test_a_part_gets_its_own_entries():
    inner = {**SCREEN, "part": "interior"}
    both = ("exterior", "interior")
    assert section_entries.of_part([BELT, inner], "exterior", both) == [BELT]
    assert section_entries.of_part([BELT, inner], "interior", both) == [SCREEN]
    assert section_entries.of_part([BELT, inner], "interior", ("interior",)) == [BELT, SCREEN]
