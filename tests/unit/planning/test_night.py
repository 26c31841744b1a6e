"""What the night run shows, read from output that Snakemake 9.27 printed."""

import json

import pytest

from nightbay.core.errors import Rejected
from nightbay.planning import night

DRY_RUN = """\
Building DAG of jobs...
[Wed Nov 25 08:05:19 2026]
rule clean:
    input: results/van/intake/exterior.left.json
    output: results/van/clean/exterior.left.json, results/van/clean/exterior.left
    jobid: 4
    reason: Missing output files: results/van/clean/exterior.left.json
    wildcards: job=van, part=exterior, segment=left
    resources: tmpdir=/tmp
[Wed Nov 25 08:05:19 2026]
rule measure:
    jobid: 5
    reason: Params have changed since last execution: Union of exclusive params before and now across all output:
    wildcards: job=van, part=exterior
    resources: tmpdir=/tmp
[Wed Nov 25 08:05:19 2026]
rule all:
    input: results/van/report/van.json
    jobid: 0
    reason: Input files updated by another job: results/van/report/van.json
    resources: tmpdir=/tmp
Job stats:
"""

RUN = """\
localrule clean:
    output: results/van/clean/exterior.left.json
    jobid: 4
    wildcards: job=van, part=exterior, segment=left
[Wed Nov 25 08:05:20 2026]
localrule network:
    jobid: 2
    wildcards: job=van, part=exterior
[Wed Nov 25 08:05:20 2026]
Finished jobid: 4 (Rule: clean)
1 of 5 steps (20%) done
[Wed Nov 25 08:05:20 2026]
Error in rule network:
    message: None
    jobid: 2
"""


def test_plan_lists_the_steps_and_why():
    lines = night.plan(DRY_RUN.splitlines(keepends=True))
    assert lines == [
        "2 steps would run:",
        "  clean   van exterior left  not made yet",
        "  measure van exterior       a parameter, the job sheet, a raw file or the code changed",
    ]


def test_plan_with_nothing_to_do():
    assert night.plan(["Building DAG of jobs...\n", "Nothing to be done\n"])[0].startswith("Nothing is to do")


def test_plan_shows_trouble_whole():
    lines = ["Building DAG of jobs...\n", "MissingInputException in rule all\n", "results/x.json\n"]
    assert night.plan(lines) == [line.rstrip("\n") for line in lines]


def test_progress_names_what_finished_and_what_failed():
    shown = []
    night.progress(RUN.splitlines(keepends=True), shown.append)
    assert shown == ["   1 of 5  clean   van exterior left", "      failed  network: see the logs folder of the day"]


def test_progress_with_nothing_to_do():
    shown = []
    night.progress(["Nothing to be done (all requested files are present and up to date).\n"], shown.append)
    assert len(shown) == 1 and shown[0].startswith("Nothing is to do")


def test_table_has_a_row_a_job_and_the_reasons(tmp_path):
    board = tmp_path / "results" / "board"
    board.mkdir(parents=True)
    jobs = [
        {"job": "van", "state": "complete", "points": 3000000, "figures": "5.400 m", "page": "report.html"},
        {"job": "hatch", "state": "refused", "sentences": ["Segment rear shares 3 targets."]},
    ]
    (board / "board.json").write_text(json.dumps({"result": {"jobs": jobs}}))
    lines = night.table(tmp_path)
    assert [line.split()[:2] for line in lines[:3]] == [["job", "status"], ["van", "complete"], ["hatch", "refused"]]
    assert "3,000,000" in lines[1]
    assert "hatch: Segment rear shares 3 targets." in lines


def shop(tmp_path):
    for name, sheet in {"van": "vehicle_class: van\nunits: mm\n", "bad": "- a list\n"}.items():
        (tmp_path / name / "raw").mkdir(parents=True)
        (tmp_path / name / "raw" / "left.ply").write_text(name)
        (tmp_path / name / "job.yaml").write_text(sheet)
    return tmp_path


def test_targets_are_the_reports_of_accepted_jobs_and_refusals_are_told(tmp_path, capsys):
    reports, refused = night.targets(shop(tmp_path), ["van", "bad"])
    assert reports == ["results/van/report/van.json"]
    (line,) = refused
    assert line.startswith("bad is refused: bad/job.yaml is a list; it must be a mapping")
    assert night.targets(tmp_path, ["bad"]) == ([], refused)
    night.main(["targets", str(tmp_path), "van,bad"])
    assert capsys.readouterr() == ("results/van/report/van.json\n", line + "\n")


def test_an_unknown_job_is_no_target(tmp_path, capsys):
    with pytest.raises(Rejected, match="The day has no job 'vam' .did you mean 'van'?"):
        night.targets(shop(tmp_path), ["bad", "vam"])
    with pytest.raises(SystemExit) as ended:
        night.main(["targets", str(tmp_path), "vam"])
    assert ended.value.code == 2
    assert capsys.readouterr() == ("", "The day has no job 'vam' (did you mean 'van'?).\n")


def test_a_long_name_does_not_widen_every_row_of_the_table(tmp_path):
    board = tmp_path / "results" / "board"
    board.mkdir(parents=True)
    jobs = [{"job": "b" * 245, "state": "refused"}, {"job": "van", "state": "complete"}]
    (board / "board.json").write_text(json.dumps({"result": {"jobs": jobs}}))
    assert len(night.table(tmp_path)[2]) < 100


@pytest.mark.parametrize("left", [None, "{"])
def test_a_board_that_can_t_be_read_is_told(tmp_path, left):
    (tmp_path / "results" / "board").mkdir(parents=True)
    if left:
        (tmp_path / "results" / "board" / "board.json").write_text(left)
    (line,) = night.table(tmp_path)
    assert "board.json can't be read (" in line and line.endswith("and run the night again.")


def test_what_is_shown_can_t_steer_the_terminal(capsys):
    night.show(["3\u202f000\u202fmm é", "\x1b[31mred\udcff"])
    assert capsys.readouterr().out == "3\u202f000\u202fmm é\n\\x1b[31mred\\udcff\n"
