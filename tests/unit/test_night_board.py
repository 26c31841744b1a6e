"""The board while a night runs: made at the beginning, with each report and failure, and when the events end."""

import json

import pytest

import night_board
from nightbay.report import board, board_rows

REPORT = {
    "state": "complete", "summary": "", "title": "Van", "vehicle_class": "van", "points": 3, "sizes": [],
    "evidence": [], "joined": None, "warnings": [], "reasons": [], "next_steps": ["Deliver."], "parameters": {},
    "page": "report.html", "customer_page": "customer.html", "thumbnail": None,
}  # fmt: skip


@pytest.fixture
def day(tmp_path):
    for name in ("van", "hatch"):
        (tmp_path / name / "raw").mkdir(parents=True)
        (tmp_path / name / "raw" / "left.ply").write_text(name)
        (tmp_path / name / "job.yaml").write_text("vehicle_class: van\nunits: mm\n")
    (tmp_path / "logs/night").mkdir(parents=True)
    return tmp_path


def shown(day):
    """States on the board by job, and whether the page renews itself."""
    rows = json.loads((day / board.JSON).read_text(encoding="utf-8"))["result"]["jobs"]
    renews = 'http-equiv="refresh"' in (day / board.PAGE).read_text(encoding="utf-8")
    return {row["job"]: row["state"] for row in rows}, renews


def night(day, seen):
    """The lines of a night that finishes one job and fails in the other; ``seen``: the board after each of them."""

    def event(**known):
        line = json.dumps(known) + "\n"
        with open(day / "logs/night/1.events.jsonl", "a", encoding="utf-8") as file:
            file.write(line)
        return line

    def info(number, stage, job):
        return event(event="job_info", jobid=number, rule_name=stage, wildcards={"job": job}, reason="")

    yield info(1, "report", "van")
    path = day / board_rows.report_of("van")
    path.parent.mkdir(parents=True)
    path.write_text(json.dumps({"status": "ok", "reasons": [], "result": REPORT}))
    seen.append(shown(day))
    yield event(event="job_finished", job_id=1)
    seen.append(shown(day))
    yield info(2, "fuse", "hatch")
    seen.append(shown(day))
    yield event(event="job_error", jobid=2, log=["fuse.log"])
    seen.append(shown(day))


def test_the_board_follows_the_night_and_is_made_when_it_ends(day):
    seen = []
    night_board.keep(day, ["hatch", "van"], night(day, seen))
    assert seen == [
        ({"hatch": "in work", "van": "in work"}, True),
        ({"hatch": "in work", "van": "complete"}, True),
        ({"hatch": "in work", "van": "complete"}, True),
        ({"hatch": "failed", "van": "complete"}, True),
    ]
    assert shown(day) == ({"hatch": "failed", "van": "complete"}, False)


def test_a_board_that_can_t_be_made_ends_no_night(day, capsys):
    (day / "results").mkdir()
    (day / "results/board").write_text("in the way")
    night_board.keep(day, ["van"], [])
    assert "Traceback" in capsys.readouterr().err


def test_a_killed_night_leaves_its_jobs_not_finished(day):
    night_board.keep(day, ["van", "hatch"], [])
    assert shown(day) == ({"hatch": "not finished", "van": "not finished"}, False)
