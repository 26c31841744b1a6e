"""What a refusal tells to do, taken out of its sentence, and the next steps of a job."""

import pytest

from nightbay.core import language
from nightbay.report import next_step
from nightbay.report.next_step import JobWarning


@pytest.mark.parametrize(
    ("sentence", "step"),
    [
        (
            "Segment rear (a/raw/rear.csv) shares three targets; at least four are needed: scan it again with more "
            "targets in view, or survey the targets on that side.",
            "Scan segment rear again with more targets in view, or survey the targets on that side.",
        ),
        ("a/raw/b.e57 holds no scan: export it again.", "Export a/raw/b.e57 again."),
        ("a/raw/b.ply: scan 2 has neither x, y, z nor range: export it again.", "Export a/raw/b.ply again."),
        ("left.ply: it was cut short, copy or export it again.", "Copy or export it again."),
        ("a/raw/l.ply spans 5 mm with units m: check units.", "Check units."),
        (
            "segment shelf can't be placed: it fits in two ways; put targets into the overlap; unplaced: leave_out in "
            "the job sheet makes the model from the others",
            "Put targets into the overlap; unplaced: leave_out in the job sheet makes the model from the others.",
        ),
        ("'A b' can't be the name of a job: no blank is allowed; rename the folder.", "Rename the folder."),
        ("The units are wrong. Give them in the job sheet.", "Give them in the job sheet."),
    ],
)
def test_the_step_is_what_the_sentence_tells_to_do(sentence, step):
    assert next_step.of_reason(sentence) == step


def test_a_sentence_without_an_instruction_has_the_other_step():
    assert next_step.of_reason("a/job.yaml can't be read: it is a pipe.") == "Correct what the reason names."
    assert next_step.of_reason("", "Scan again.") == "Scan again."


def test_each_step_of_a_job_comes_once_in_its_order():
    warnings = [JobWarning("One.", "Scan it."), JobWarning("Two.", "Check it."), JobWarning("Three.", "Scan it.")]
    assert next_step.of_job(False, [], warnings) == ["Scan it.", "Check it."]
    assert next_step.of_job(False, [], []) == ["Deliver."]
    assert next_step.of_job(True, ["x: export it."] * 2, warnings) == ["Export it.", "Then run the same command."]


@pytest.mark.parametrize(
    ("sentence", "translated", "step"),
    [
        ("a/raw/b.e57 holds no scan: export it again.", "a/raw/b.e57 sans scan: exporter.", "a/raw/b.e57: exporter."),
        (
            "Segment rear (a.csv) shares three targets; four are needed: scan it again.",
            "Segment rear (a.csv): trois cibles; il en faut quatre: scanner.",
            "Segment rear (a.csv): trois cibles; il en faut quatre: scanner.",  # a colon more: shown whole
        ),
        ("Segment rear is small; scan it again.", "Segment rear petit; scanner.", "Segment rear: scanner."),
        (
            "The segment is small; put targets into it; the rest is left out.",
            "petit; mettre des cibles; le reste est omis.",
            "Mettre des cibles; le reste est omis.",
        ),
        ("The units are wrong. Give them.", "Fausses. Donner.", "Donner."),
    ],
)
def test_in_another_language_the_step_is_the_same_part_of_the_translation(monkeypatch, sentence, translated, step):
    monkeypatch.setattr(language, "stage_sentence", {sentence: translated}.get)
    assert next_step.of_reason(sentence) == step
