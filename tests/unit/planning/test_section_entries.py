"""What a job sheet says of sections: what is refused, and which part gets which entries."""

import pytest

from nightbay.pipeline.stages import STAGES
from nightbay.planning import day, parameters, section_entries, validation, yaml_file

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
        ({"name": "a"}, "needs either axis, or both point_mm and normal: correct its keys."),
        ({**BELT, "normal": [1, 0, 0]}, "needs either axis, or both point_mm and normal: correct its keys."),
        ({"name": "a", "point_mm": [0, 0, 0]}, "needs either axis, or both point_mm and normal: correct its keys."),
        (
            {**SCREEN, "normal": [0, 0.0, 0]},
            "has a normal of length zero, which gives no direction: state one such as [0, 0, 1].",
        ),
        (
            {"name": "a", "axis": "x"},
            "needs either value_mm, or a range of from_mm, to_mm and pitch_mm: correct its keys.",
        ),
        ({**BELT, "pitch_mm": 5}, "has a range without from_mm, to_mm: a range needs from_mm, to_mm and pitch_mm."),
        (
            {**SCREEN, "value_mm": 5},
            "has value_mm, which belongs to an axis: remove it, the plane goes through point_mm.",
        ),
        (
            {"name": "a", "axis": "x", "from_mm": 5, "to_mm": 1, "pitch_mm": 1},
            "has a range from 5 to 1 mm: exchange from_mm and to_mm.",
        ),
        (
            {**BELT, "part": "interior"},
            "is for the interior, which the job does not have: remove the entry or its key 'part'.",
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


def test_a_name_is_one_line():
    """A line break or a control character would break the DXF or the SVG."""
    schema = validation.schema("job")["properties"]["sections"]
    assert validation.faults([{**BELT, "name": "Gürtellinie 1/2 <a>"}], schema, "job.yaml") == []
    for name in ("a\nb", "a\x00", "a\u2028b"):
        (sentence,) = validation.faults([{**BELT, "name": name}], schema, "job.yaml")
        assert sentence.endswith("one line without control characters; in a range the place follows it.")


def test_a_change_of_the_sections_changes_what_measure_gets_and_nothing_else(tmp_path):
    sheet = "vehicle_class: van\nunits: mm\nparts: {exterior: {segments: {left: raw/left.ply}}}\n"
    jobs = {}
    for name, more in (("without", ""), ("with", "sections: [{name: belt, axis: z, value_mm: 900}]\n")):
        folder = tmp_path / name / "larch"
        (folder / "raw").mkdir(parents=True)
        (folder / "raw" / "left.ply").write_bytes(b"ply\n")
        (folder / "job.yaml").write_text(sheet + more)
        plan = day.plan(tmp_path / name, yaml_file.read(parameters.CLASSES.parent / "config.yaml", "config.yaml"))
        assert plan.refused == {}
        jobs[name] = plan.jobs["larch"]

    def sheet_of(job, stage):
        unit = STAGES[stage].unit
        where = {"segment": {"part": "exterior", "segment": "left"}, "part": {"part": "exterior"}, "job": {}}[unit]
        return job.sheet(stage, **where)

    stages = [stage for stage in STAGES if STAGES[stage].runs_for(["exterior"])]
    changed = {stage for stage in stages if len({str(sheet_of(job, stage)) for job in jobs.values()}) > 1}
    assert changed == {"measure"}
    assert sheet_of(jobs["with"], "measure")["sections"] == [{"axis": "z", "name": "belt", "value_mm": 900}]
