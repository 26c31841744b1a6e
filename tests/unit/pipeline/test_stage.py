import json

import pytest

from nightbay.core.errors import Rejected
from nightbay.pipeline import stage

WILDCARDS = {"job": "van", "part": "exterior", "segment": "left"}


@pytest.fixture
def anything_goes(monkeypatch, tmp_path):
    (tmp_path / "schemas").mkdir()
    (tmp_path / "schemas" / "weigh.schema.json").write_text('{"type": "object", "required": ["mass_kg"]}')
    monkeypatch.setattr(stage, "SCHEMAS", tmp_path / "schemas")


def execute(function, folder, upstream=None, **more):
    return stage.execute(
        function, stage="weigh", wildcards=WILDCARDS, upstream=upstream or {}, sheet={}, settings={}, folder=folder,
        threads=1, **more,
    )  # fmt: skip


def weigh(upstream, sheet, settings, folder, threads):
    (folder / "mass.txt").write_text("1200")
    return {"mass_kg": 1200, "notes": ["Weighed without a driver."]}


def refuse(upstream, sheet, settings, folder, threads):
    (folder / "mass.txt").write_text("half")
    raise Rejected("left.ply holds 2 points: at least 100 are needed, export the segment again.")


def test_numbers_notes_and_files_of_a_finished_stage(anything_goes, tmp_path):
    record = execute(weigh, tmp_path / "van")
    assert record["status"] == "ok"
    assert record["result"] == {"mass_kg": 1200}
    assert record["notes"] == ["Weighed without a driver."]
    assert record["files"]["mass.txt"]["bytes"] == 4
    assert (tmp_path / "van" / "mass.txt").read_text() == "1200"


def test_bad_data_is_a_status_and_leaves_no_half_files(anything_goes, tmp_path):
    record = execute(refuse, tmp_path / "van")
    assert record["status"] == "rejected"
    assert record["reasons"] == [
        {"stage": "weigh", "segment": "left",
         "sentence": "left.ply holds 2 points: at least 100 are needed, export the segment again."}
    ]  # fmt: skip
    assert list((tmp_path / "van").iterdir()) == []


def test_a_rejection_is_passed_on_once_with_its_reason(anything_goes, tmp_path):
    stage.write_json(tmp_path / "van.json", execute(refuse, tmp_path / "van"))
    before = stage.load(tmp_path / "van.json")
    record = execute(weigh, tmp_path / "next", {"one": before, "all": [before, before]})
    assert record["status"] == "rejected"
    assert [reason["stage"] for reason in record["reasons"]] == ["weigh"]
    assert record["files"] == {}


def test_a_stage_that_accepts_rejected_sees_them(anything_goes, tmp_path):
    stage.write_json(tmp_path / "van.json", execute(refuse, tmp_path / "van"))
    seen = []

    def report(upstream, *others):
        seen.append(upstream["one"].status)
        return {"mass_kg": 0}

    record = execute(report, tmp_path / "page", {"one": stage.load(tmp_path / "van.json")}, accepts_rejected=True)
    assert seen == ["rejected"]
    assert record["status"] == "ok"


def test_a_bug_is_no_rejection(anything_goes, tmp_path):
    def broken(*everything):
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        execute(broken, tmp_path / "van")
    assert not (tmp_path / "van").exists()


def test_numbers_that_do_not_fit_the_schema_are_a_bug(anything_goes, tmp_path):
    with pytest.raises(Exception, match="'mass_kg' is a required property"):
        execute(lambda *everything: {}, tmp_path / "van")


def test_json_is_whole_the_same_each_time_and_without_nan(tmp_path):
    stage.write_json(tmp_path / "a.json", {"b": 1.5, "a": [1, 2]})
    stage.write_json(tmp_path / "b.json", {"a": [1, 2], "b": 1.5})
    assert (tmp_path / "a.json").read_bytes() == (tmp_path / "b.json").read_bytes()
    with pytest.raises(ValueError, match="JSON"):
        stage.write_json(tmp_path / "c.json", {"a": float("nan")})
    assert not (tmp_path / "c.json").exists()
    assert json.loads((tmp_path / "a.json").read_text()) == {"a": [1, 2], "b": 1.5}
