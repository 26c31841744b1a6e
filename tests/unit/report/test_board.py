"""The day board: every job has a row, whatever became of it."""

import json

import pytest

from nightbay.core.version import version
from nightbay.report import board


@pytest.fixture
def day(tmp_path):
    """A day with two reports."""

    def write(job, status="ok", reasons=(), **result):
        whole = {
            "state": "complete", "title": f"The {job}", "vehicle_class": "van", "points": 3_000_000, "figures": "5 m",
            "warnings": [], "reasons": [], "page": "report.html", "thumbnail": None, **result,
        }  # fmt: skip
        path = tmp_path / f"results/{job}/report/{job}.json"
        path.parent.mkdir(parents=True)
        path.with_suffix("").mkdir()
        (path.with_suffix("") / "thumbnail.png").write_bytes(b"picture")
        path.write_text(json.dumps({"status": status, "reasons": list(reasons), "result": whole}))
        return path

    return write


def run(jobs, refused, reports):
    return board.board(jobs, refused, reports, day="Monday <2>", notes=["notes.txt is no job."])


def test_every_job_has_a_row(day, tmp_path):
    sentence = {"stage": "intake", "segment": "left", "sentence": "left.ply holds 3 points."}
    reports = {
        "alder": day("alder", thumbnail="thumbnail.png"),
        "birch": day("birch", state="refused", reasons=[sentence]),
        "cedar": tmp_path / "results/cedar/report/cedar.json",
        "fir": day("fir", status="rejected", reasons=[sentence]),
    }
    result, html = run(list(reports), {"elm": ["elm/job.yaml: units is missing."]}, reports)
    states = {row["job"]: row["state"] for row in result["jobs"]}
    assert states == {
        "alder": "complete", "birch": "refused", "cedar": board.UNFINISHED, "elm": "refused", "fir": "refused",
    }  # fmt: skip
    assert result["counts"] == {"complete": 1, "complete with warnings": 0, "refused": 3, board.UNFINISHED: 1}
    rows = {row["job"]: row for row in result["jobs"]}
    assert rows["alder"]["page"] == "results/alder/report/alder/report.html"
    assert rows["cedar"]["sentences"] == [
        "The job has no report: a stage failed, or the night ended before it ran; its logs are in logs/cedar."
    ]
    assert 'href="../../alder/report/alder/report.html"' in html
    assert html.count("<img ") == 1 and 'src="data:image/png;base64,' in html and 'alt="Left side of The alder"' in html
    for text in (
        "left.ply holds 3 points.",
        "elm/job.yaml: units is missing.",
        "Monday &lt;2&gt;",
        "notes.txt is no job.",
        f"Made by Nightbay {version()}.",
    ):
        assert text in html
    for word in board.STATES[::2]:
        assert f"{word.capitalize()}</span>" in html


def test_an_empty_day_has_a_board_too():
    result, html = run([], {}, {})
    assert result["jobs"] == [] and "No job was found." in html


def test_board_is_the_same_bytes_again(day):
    reports = {"alder": day("alder")}
    assert run(["alder"], {}, reports) == run(["alder"], {}, reports)


@pytest.mark.parametrize("left", ["", "[1]", "{}", '{"status": "ok", "result": {}}', '{"status": "rejected"}'])
def test_a_damaged_report_costs_no_other_job_its_row(day, left):
    reports = {"alder": day("alder"), "birch": day("birch")}
    reports["birch"].write_text(left)
    result, html = run(["alder", "birch"], {}, reports)
    alder, birch = result["jobs"]
    assert (alder["state"], birch["state"]) == ("complete", board.UNFINISHED)
    (sentence,) = birch["sentences"]
    assert sentence.startswith("The job's report can't be read (")
    assert sentence.endswith("): remove the folder results/birch/report and run the night again.")
    assert sentence.replace("'", "&#39;") in html.replace("&#34;", '"')


def test_a_lost_thumbnail_costs_no_other_job_its_row(day):
    reports = {"alder": day("alder"), "birch": day("birch", thumbnail="lost.png")}
    assert [row["state"] for row in run(["alder", "birch"], {}, reports)[0]["jobs"]] == ["complete", board.UNFINISHED]


def test_what_a_report_says_can_be_written_and_shown(day):
    """A target's or a file's name may hold anything."""
    reports = {"alder": day("alder", title="a\ud800\x1b[31m", warnings=["Target \udcff\x00 is lost."])}
    result, html = run(["alder"], {}, reports)
    assert result["jobs"][0]["title"] == r"a\ud800\x1b[31m"
    assert result["jobs"][0]["sentences"] == [r"Target \udcff\x00 is lost."]
    assert html.encode() and json.dumps(result, ensure_ascii=False).encode()
