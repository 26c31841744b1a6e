"""The reference of a job sheet: which part it belongs to, which file it is, and what can't be carried out."""

import os

import pytest
import yaml

from nightbay.planning import day, job_sheet, parameters

DEFAULTS = yaml.safe_load((parameters.CLASSES.parent / "config.yaml").read_text(encoding="utf-8"))
SHEET = "vehicle_class: van\nunits: mm\n"
REFERENCE = "reference: {file: raw/before.stl, units: m, kind: earlier scan, uncertainty_mm: 0.3}\n"


@pytest.fixture
def shop(tmp_path):
    """A function that writes a job with two parts and its sheet."""

    def make(text):
        for file in ("raw/left.ply", "raw/interior/bay.ply", "raw/before.stl"):
            path = tmp_path / "van" / file
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(file)
            os.utime(path, (1e9, 1e9))
        (tmp_path / "van" / "job.yaml").write_text(SHEET + text)
        return tmp_path

    return make


def faults(shop, text):
    with pytest.raises(job_sheet.Faults) as caught:
        job_sheet.read(shop(text), "van", ["van"])
    return caught.value.sentences


def test_measure_of_its_part_gets_the_file_with_its_hash(shop):
    job = day.plan(shop(REFERENCE), DEFAULTS).jobs["van"]
    entry = job.sheet("measure", part="exterior")["reference"]
    assert entry["file"] == "van/raw/before.stl"
    assert (entry["units"], entry["kind"], entry["align"], entry["uncertainty_mm"]) == (
        "m",
        "earlier scan",
        "best",
        0.3,
    )
    assert entry["unreadable"] is None and len(entry["sha256"]) == 64
    assert "reference" not in job.sheet("measure", part="interior")
    assert job.reference_mb("exterior") == pytest.approx(14e-6)
    assert job.reference_mb("interior") == 0.0


def test_the_interior_is_compared_where_the_sheet_says_so(shop):
    job = day.plan(shop(REFERENCE.replace("kind", "part: interior, kind")), DEFAULTS).jobs["van"]
    assert "reference" in job.sheet("measure", part="interior")
    assert "reference" not in job.sheet("measure", part="exterior")


def test_its_file_is_no_segment_and_not_skipped(shop):
    sheet = job_sheet.read(shop(REFERENCE), "van", ["van"])
    assert list(sheet.parts["exterior"].segments) == ["left"]
    assert sheet.notes == []
    without = job_sheet.read(shop(""), "van", ["van"])
    assert list(without.parts["exterior"].segments) == ["before", "left"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("reference: {file: raw/before.e57, kind: cad}", "a mesh is needed"),
        ("reference: {file: ../before.ply, kind: cad}", "a path inside the job's folder"),
        ("reference: {file: before.ply}", "kind"),
        ("reference: {file: before.ply, kind: drawing}", "earlier scan"),
        ("reference: {file: before.ply, kind: cad, align: regions}", "give both, or neither"),
        (
            "reference: {file: before.ply, kind: cad, regions: [{name: a, low_mm: [0, 0, 0], high_mm: [1, 1, 1]}]}",
            "give both, or neither",
        ),
        (
            "reference: {file: b.ply, kind: cad, align: regions, "
            "regions: [{name: roof, low_mm: [0, 0, 9], high_mm: [1, 1, 1]}]}",
            "'roof' of 'reference.regions' is empty",
        ),
        ("parts: {interior: {}}\nreference: {file: b.ply, kind: cad, part: exterior}", "has no such part"),
    ],
)
def test_what_can_not_be_carried_out_is_refused(shop, text, words):
    (sentence,) = faults(shop, text + "\n")
    assert words in sentence
    assert sentence.startswith("van/job.yaml")
