# ruff: noqa: E501 (events are lines, as they are written)
"""What the night run shows, read from events that Snakemake 9.27 gave."""

import json
from dataclasses import asdict
from pathlib import Path

import pytest

from nightbay.core.errors import Rejected
from nightbay.pipeline import attempts
from nightbay.planning import night, targets

NOWHERE = Path("/nowhere")  # a day without records of attempts
DRY_RUN = """\
{"event": "job_info", "jobid": 4, "rule_name": "clean", "wildcards": {"job": "van", "part": "exterior", "segment": "left"}, "reason": "Missing output files: results/van/clean/exterior.left.json"}
{"event": "job_info", "jobid": 5, "rule_name": "measure", "wildcards": {"job": "van", "part": "exterior"}, "reason": "Params have changed since last execution: Union of exclusive params before and now across all output: before: {'title': 'rule clean:'} now: {} "}
{"event": "job_info", "jobid": 0, "rule_name": "all", "wildcards": {}, "reason": "Input files updated by another job: results/van/report/van.json"}
"""

RUN = """\
{"event": "job_info", "jobid": 4, "rule_name": "clean", "wildcards": {"job": "van", "part": "exterior", "segment": "left"}, "reason": "Missing output files"}
{"event": "job_info", "jobid": 2, "rule_name": "network", "wildcards": {"job": "van", "part": "exterior"}, "reason": "Missing output files"}
{"event": "job_finished", "job_id": 4}
{"event": "progress", "done": 1, "total": 5}
{"event": "job_error", "jobid": 2, "rule_name": "network", "log": ["logs/van/network/exterior.log"]}
"""


def test_plan_lists_the_steps_and_why():
    lines = night.plan(DRY_RUN.splitlines(keepends=True))
    assert lines == [
        "2 steps would run:",
        "  clean    van exterior left  not made yet",
        "  measure  van exterior       a parameter, the job sheet, a raw file or the code changed",
    ]


def test_plan_with_nothing_to_do():
    assert night.plan([]) == [night.NOTHING]


def test_progress_names_what_finished_and_what_failed():
    shown = []
    night.progress(NOWHERE, RUN.splitlines(keepends=True), shown.append)
    assert shown == [
        "   1 of 5  clean    van exterior left",
        "      failed  network  van exterior: see logs/van/network/exterior.log",
    ]


def test_progress_names_a_failure_once_though_the_step_began_again():
    shown = []
    lines = RUN.splitlines(keepends=True)
    begin, error = lines[1], lines[-1]
    night.progress(NOWHERE, [*lines, begin, error], shown.append)
    assert len([line for line in shown if "failed" in line]) == 1


def test_a_step_that_had_too_little_memory_is_tried_again_and_fails_at_most_once(tmp_path):
    log = tmp_path / "logs/van/network/exterior.attempts.json"
    log.parent.mkdir(parents=True)
    first = attempts.Attempt(1, "memory", "", 640.0, 600.0, 1.0, 1.0, 900.0, "exterior.attempt-1.log")
    log.write_text(json.dumps([asdict(first)]))
    shown, lines = [], RUN.splitlines(keepends=True)
    night.progress(tmp_path, [*lines, lines[1], lines[-1]], shown.append)
    assert shown[1:] == [
        "      again   network  van exterior: it needs more memory than planned",
        "      failed  network  van exterior: see logs/van/network/exterior.log",
    ]


def test_progress_names_all_steps_of_one_cluster_job():
    announced, _, *_ = RUN.splitlines(keepends=True)
    intake = announced.replace('"jobid": 4', '"jobid": 7').replace("clean", "intake")
    ended = '{"event": "job_finished", "job_id": 7}\n{"event": "job_finished", "job_id": 4}\n'
    shown = []
    night.progress(
        NOWHERE, [announced, intake, *ended.splitlines(), '{"event": "progress", "done": 6, "total": 9}'], shown.append
    )
    assert shown == ["   5 of 9  intake   van exterior left", "   6 of 9  clean    van exterior left"]


def test_progress_does_not_call_failed_what_a_signal_ended():
    shown = []
    *before, error = RUN.splitlines(keepends=True)
    night.progress(NOWHERE, [*before, '{"event": "stopped"}\n', error], shown.append)
    assert shown == ["   1 of 5  clean    van exterior left"]


def test_progress_of_a_night_that_did_not_begin_says_nothing():
    shown = []
    night.progress(NOWHERE, ['{"event": "error", "exception": "WorkflowError"}\n'], shown.append)
    assert shown == []


def board_of(tmp_path, *jobs):
    """A day with a board of these jobs, each with every key."""
    nothing = {"points": None, "sizes": [], "sentences": [], "next_steps": ["Deliver."], "page": None}
    board = tmp_path / "results" / "board"
    board.mkdir(parents=True)
    rows = [{**nothing, "release_check": None, **job} for job in jobs]
    (board / "board.json").write_text(json.dumps({"result": {"jobs": rows}}))
    return tmp_path


def test_table_has_the_board_s_order_and_words(tmp_path):
    size = {"name": "Length", "value_mm": 5401.23, "uncertainty_mm": 0.62, "at_least": False}
    day = board_of(
        tmp_path,
        {"job": "hatch", "state": "refused", "sentences": ["Segment rear shares 3 targets."],
         "next_steps": ["Scan segment rear again.", "Then run the same command."]},
        {"job": "van", "state": "complete", "points": 3000000, "page": "report.html",
         "sizes": [size, {**size, "name": "Width", "at_least": True}],
         "release_check": {"state": "ready", "sentence": "Nothing is missing."}},
    )  # fmt: skip
    lines = night.table(day)
    assert [line.split()[:2] for line in lines[:3]] == [["job", "state"], ["hatch", "refused"], ["van", "complete"]]
    assert "3\u202f000\u202f000" in lines[2]
    assert lines[3:-1] == [
        "hatch: Segment rear shares 3 targets.",
        "hatch: Next: Scan segment rear again. Then run the same command.",
        "van: Release check: ready. Nothing is missing.",
        "van: Length 5\u202f401.23 ± 0.62\u202fmm; Width ≥ 5\u202f401.23 ± 0.62\u202fmm",
        "van: Next: Deliver.",
    ]


def test_a_hostile_board_changes_no_more_than_its_own_lines(tmp_path, capsys):
    said = "\x1b[2J\u202e\n" + "x" * 10_000
    night.main(["table", str(board_of(tmp_path, {"job": "van", "state": "refused", "sentences": [said]}))])
    shown = capsys.readouterr().out.splitlines()
    assert shown[0].split() == ["job", "state", "points", "report"]
    assert shown[2] == r"van: \x1b[2J\u202e\n" + "x" * 10_000 and len(shown) == 5


def shop(tmp_path):
    for name, sheet in {"van": "vehicle_class: van\nunits: mm\n", "bad": "- a list\n"}.items():
        (tmp_path / name / "raw").mkdir(parents=True)
        (tmp_path / name / "raw" / "left.ply").write_text(name)
        (tmp_path / name / "job.yaml").write_text(sheet)
    return tmp_path


def test_targets_are_the_reports_of_accepted_jobs_and_refusals_are_reported(tmp_path, capsys):
    reports, refused = targets.targets(shop(tmp_path), ["van", "bad"])
    assert reports == ["results/van/report/van.json"]
    (line,) = refused
    assert line.startswith("bad is refused: bad/job.yaml is a list; it must be a mapping")
    assert targets.targets(tmp_path, ["bad"]) == ([], refused)
    targets.main([str(tmp_path), "van,bad"])
    assert capsys.readouterr() == ("results/van/report/van.json\n", line + "\n")


def test_an_unknown_job_is_no_target(tmp_path, capsys):
    with pytest.raises(Rejected, match="The day has no job 'vam' .did you mean 'van'?"):
        targets.targets(shop(tmp_path), ["bad", "vam"])
    with pytest.raises(SystemExit) as ended:
        targets.main([str(tmp_path), "vam"])
    assert ended.value.code == 2
    assert capsys.readouterr() == ("", "The day has no job 'vam' (did you mean 'van'?).\n")


def test_a_long_name_does_not_widen_every_row_of_the_table(tmp_path):
    day = board_of(tmp_path, {"job": "b" * 245, "state": "refused"}, {"job": "van", "state": "complete"})
    assert len(night.table(day)[2]) < 100


@pytest.mark.parametrize("left", [None, "{", '{"result": {"jobs": [{"job": "van"}]}}'])
def test_a_board_that_can_t_be_read_is_reported(tmp_path, left):
    (tmp_path / "results" / "board").mkdir(parents=True)
    if left:
        (tmp_path / "results" / "board" / "board.json").write_text(left)
    (line,) = night.table(tmp_path)
    assert "board.json can't be read (" in line and line.endswith("and run the night again.")


def test_what_is_shown_can_t_steer_the_terminal(capsys):
    night.show(["3\u202f000\u202fmm é", "\x1b[31mred\udcff"])
    assert capsys.readouterr().out == "3\u202f000\u202fmm é\n\\x1b[31mred\\udcff\n"
