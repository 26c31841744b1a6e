"""Calibrated artefacts in a job sheet: each fault is one sentence, and what the stages get of them."""

import pytest
import yaml

from nightbay.core.errors import Rejected
from nightbay.pipeline.stages import STAGES
from nightbay.planning import day, job_sheet
from unit.planning.test_day import DEFAULTS

BALL = {"name": "ball", "kind": "sphere", "diameter_mm": 50, "diameter_uncertainty_mm": 0.002, "coverage_factor": 2}
ROD = {
    "name": "rod", "kind": "scale_bar", "from": 7, "to": "b", "distance_mm": 800, "distance_uncertainty_mm": 0.01,
    "coverage_factor": 2,
}  # fmt: skip


def sheet(tmp_path, artefacts, **keys):
    folder = tmp_path / "check" / "raw" / "artefact"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "table.ply").write_text("points")
    document = {"units": "mm", "parts": {"artefact": {"artefacts": artefacts}}, **keys}
    (tmp_path / "check" / "job.yaml").write_text(yaml.safe_dump(document))
    return tmp_path


@pytest.mark.parametrize(
    ("entries", "sentence"),
    [
        ([BALL, dict(BALL)], "has the name 'ball' twice; give each artefact its own."),
        ([{**BALL, "kind": "plate"}], "'parts.artefact.artefacts.0' is a plate and lacks the key 'size_mm': add it"),
        ([{**BALL, "size_mm": [50, 60]}], "is a sphere, which has no 'size_mm': remove the key or correct 'kind'."),
        (
            [{**BALL, "temperature_c": 21, "expansion_per_k": 0}],
            "has 'temperature_c' without 'temperature_sd_c': add it",
        ),
        ([{**BALL, "temperature_c": 21, "temperature_sd_c": 1}], "has 'temperature_c' without 'expansion_per_k': add"),
        ([{**BALL, "calibrated_on": "2026-02-30"}], "is '2026-02-30'; no calendar has this day: correct it."),
        ([{**BALL, "kind": "cube"}], "allowed are sphere, ball_bar, plate, scale_bar."),
        ([], "it must not be empty."),
    ],
)
def test_each_fault_is_a_sentence(tmp_path, entries, sentence):
    with pytest.raises(Rejected) as caught:
        job_sheet.read(sheet(tmp_path, entries), "check", ["van"])
    assert any(found.startswith("check/job.yaml") and sentence in found for found in caught.value.sentences)


def test_a_vehicle_still_needs_its_class(tmp_path):
    (tmp_path / "check").mkdir()
    (tmp_path / "check" / "job.yaml").write_text("units: mm\n")
    with pytest.raises(Rejected, match=r"lacks the key 'vehicle_class'"):
        job_sheet.read(tmp_path, "check", ["van"])


def test_a_job_of_artefacts_alone_runs_three_stages(tmp_path):
    job = day.plan(sheet(tmp_path, [BALL, ROD]), DEFAULTS).jobs["check"]
    assert [name for name, stage in STAGES.items() if stage.runs_for(job.parts)] == ["intake", "artefact", "report"]
    taken = job.sheet("artefact", part="artefact")
    assert [entry["name"] for entry in taken["artefacts"]] == ["ball", "rod"]
    assert taken["artefacts"][1]["from"] == "7"  # ids are text
    assert "history" not in job.settings("artefact", "artefact")["artefact"]  # the night's, and no stage's


def test_a_corrected_calibration_leaves_intake_alone(tmp_path):
    def taken(distance_mm):
        entries = [BALL, ROD | {"distance_mm": distance_mm}]
        job = day.plan(sheet(tmp_path, entries), DEFAULTS).jobs["check"]
        return job.sheet("intake", part="artefact", segment="table"), job.sheet("artefact", part="artefact")

    (intake, artefact), (intake_then, artefact_then) = taken(800), taken(800.2)
    assert intake["extent_mm"]["length"] == [32.0, 1024.0]
    assert intake == intake_then and artefact != artefact_then


def test_artefacts_beside_a_vehicle_are_no_part_of_its_model(tmp_path):
    folder = sheet(tmp_path, [BALL], vehicle_class="van")
    document = yaml.safe_load((folder / "check" / "job.yaml").read_text())
    document["parts"]["exterior"] = {"segments": {"left": "raw/left.ply"}}
    (folder / "check" / "job.yaml").write_text(yaml.safe_dump(document))
    (folder / "check" / "raw" / "left.ply").write_text("other points")
    job = day.plan(folder, DEFAULTS).jobs["check"]
    assert set(job.parts) == {"exterior", "artefact"}
    assert not STAGES["join"].runs_for(job.parts)
    assert job.sheet("intake", part="exterior", segment="left")["vehicle_class"] == "van"
