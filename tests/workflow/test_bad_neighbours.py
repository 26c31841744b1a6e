"""One night over many bad jobs and planted code beside one good job: the good one is finished, the bad ones refused."""

import json
import os
import shutil

import pytest

from workflow import nights

GOOD = "larch-loadbay"
SHEET = "vehicle_class: van\nunits: mm\n"
BOARD = "results/board/board/index.html"


def listed(path):
    return SHEET + f"parts: {{interior: {{segments: {{bay: {path}}}}}}}\n"


# By the name of the job: its job sheet and what its sentence says.
SHEETS = {
    "dot": (listed("."), "a path inside the job's folder is needed"),
    "nul": (listed('"raw/a\\0.ply"'), "'\\x00' can't be printed"),
    "surrogate": (SHEET + 'title: "a\\ud800"\n', "'\\ud800' can't be printed"),
    "class": ('vehicle_class: "v\\ud800"\nunits: mm\n', "'\\ud800' can't be printed"),
    "deep": (SHEET + f"note: {'[' * 300}{']' * 300}\n", "is nested too deep"),
    "digits": (SHEET + f"nominal_mm: {{length: {'9' * 5000}}}\n", "it must be a number"),
    "ab" * 20: (SHEET, "ends with 'ab' 20 times over"),
    "b" * 247: (SHEET, "it has 247 letters"),
    "Capital": (SHEET, "can't be the name of a job"),
}


def plant_bad_jobs(day):
    """Add the bad jobs, and return what a sentence on each of them has to say by the name on the board."""
    said = {}
    for name, (sheet, sentence) in SHEETS.items():
        add(day, name, sheet)
        said[name] = sentence
    add(day, "long-stem", SHEET, f"{'s' * 245}.ply")
    said["long-stem"] = "it has 245 letters"
    add(day, "zeros", SHEET, f"{'0' * 20}.ply")
    said["zeros"] = "ends with '0' 20 times over"
    os.mkfifo(add(day, "pipe") / "job.yaml")
    said["pipe"] = "is a pipe, a device or a socket"
    (add(day, "device") / "job.yaml").symlink_to("/dev/zero")
    said["device"] = "is a link that leads out of the job's folder"
    with open(add(day, "sparse") / "job.yaml", "wb") as file:
        file.truncate(8_000_000_000)
    said["sparse"] = "has 8000000000 bytes"
    for made in ("results", "logs", "benchmarks"):
        add(day, f"no-{made}", SHEET)
        (day / made).mkdir(exist_ok=True)
        (day / made / f"no-{made}").write_text("in the way")
        said[f"no-{made}"] = f"{made}/no-{made} is not a folder that can be written to"
    os.mkdir(os.fsencode(day) + b"/b\xff")
    with open(os.fsencode(day) + b"/b\xff/job.yaml", "w") as file:
        file.write(SHEET)
    said["b\\udcff"] = "can't be the name of a job"
    os.mkdir(os.fsencode(day) + b"/photos \xff\x1b[31m")
    (day / ".nightbay").mkdir()
    (day / ".nightbay" / "hashes.json").write_text("[1]")
    return said


def add(day, name, sheet=None, raw="left.ply"):
    folder = day / name
    (folder / "raw").mkdir(parents=True)
    (folder / "raw" / raw).write_text("x")
    if sheet is not None:
        (folder / "job.yaml").write_text(sheet)
    return folder


def plant_code(day):
    """Put code where Python or Snakemake might look for theirs; returns the file that it would write to."""
    witness = day / "witness.txt"
    code = f"open({str(witness)!r}, 'a').write(__file__ + '\\n')\n"
    for name in ("json", "yaml", "venv", "ensurepip", "numpy", "snakemake", "nightbay", "sitecustomize"):
        for folder in (day, day / ".snakemake" / "scripts"):
            folder.mkdir(parents=True, exist_ok=True)
            (folder / f"{name}.py").write_text(code)
    profile = day / "profiles" / "default"
    profile.mkdir(parents=True)
    (profile / "config.yaml").write_text("dry-run: true\n")
    (day / "config").mkdir()
    (day / "config" / "config.yaml").write_text("- planted\n")
    (day / "Snakefile").write_text(code)
    return witness


@pytest.fixture(scope="module")
def night(finished, tmp_path_factory):
    """A day of the good job, finished but for its report, with bad ones; the night on it, called from within it."""
    day = tmp_path_factory.mktemp("neighbours") / "day"
    shutil.copytree(finished[0] / GOOD, day / GOOD)
    shutil.copytree(finished[0] / "results" / GOOD, day / "results" / GOOD)
    shutil.rmtree(day / "results" / GOOD / "report")
    said = plant_bad_jobs(day)
    witness = plant_code(day)
    process = nights.run_night(".", cwd=day, timeout=300, env={**os.environ, "PYTHONPATH": ":/nowhere"})
    return day, process, said, witness


def rows_of(day):
    board = json.loads((day / "results/board/board.json").read_text(encoding="utf-8"))["result"]
    return {row["job"]: row for row in board["jobs"]}


def test_the_good_job_is_finished_and_the_call_succeeds(night):
    day, process, _, _ = night
    assert process.returncode == 0, process.stdout + process.stderr
    assert rows_of(day)[GOOD]["state"].startswith("complete")
    assert (day / "results" / GOOD / "report" / GOOD / "report.html").is_file()


def test_each_bad_job_stands_on_the_board_with_its_reason(night):
    day, process, said, _ = night
    rows = rows_of(day)
    assert set(rows) == {GOOD, *said}
    html = (day / BOARD).read_text(encoding="utf-8")
    for name, sentence in said.items():
        assert rows[name]["state"] == "refused", name
        assert any(sentence in one for one in rows[name]["sentences"]), rows[name]
        assert f"{name} is refused: " in process.stderr
        assert name in html
    assert "photos \\udcff\\x1b[31m holds no job.yaml" in html
    assert "\x1b" not in html + process.stdout + process.stderr


def test_nothing_that_lies_in_the_day_is_run(night):
    _, _, _, witness = night
    assert not witness.exists(), witness.read_text()


def test_good_and_bad_jobs_asked_for_by_name(night):
    day = night[0]
    old = (day / BOARD).read_bytes()
    both = nights.run_night(day, "--jobs", f"{GOOD},dot,Capital", timeout=300)
    assert both.returncode == 0, both.stdout + both.stderr
    assert "Nothing to do" in both.stdout
    assert "dot is refused: " in both.stderr and "Capital is refused: " in both.stderr
    assert "nul is refused" not in both.stderr
    assert (day / BOARD).read_bytes() == old


def test_bad_jobs_alone_run_nothing(night):
    day = night[0]
    for options in (("--jobs", "dot"), ("--jobs", "dot", "--dry-run")):
        bad = nights.run_night(day, *options, timeout=300)
        assert bad.returncode == 0, bad.stdout + bad.stderr
        assert "dot is refused: " in bad.stderr
    assert "none of these jobs is accepted" in bad.stdout


def test_a_fault_of_the_whole_day_is_reported_before_anything_runs(night):
    day = night[0]
    (day / "matplotlibrc").write_text("")
    try:
        process = nights.run_night(day, timeout=300)
    finally:
        (day / "matplotlibrc").unlink()
    assert process.returncode == 2 and process.stdout == ""
    assert "matplotlibrc would be run or read as settings during the night" in process.stderr
    assert "Traceback" not in process.stderr


def test_plain_snakemake_runs_nothing_of_the_day_either_and_a_board_that_can_t_be_made_leaves_the_old_one(
    night, tmp_path
):
    """From a folder of one's own, with a copy of the project whose template is broken, so that its script fails."""
    day, _, _, witness = night
    old = (day / BOARD).read_bytes(), (day / "results/board/board.json").read_bytes()
    house = nights.copy_house(tmp_path / "house")
    (house / "workflow/report/board.html.j2").write_text("{% broken")
    process = nights.plain(day, house, "board", "--forcerun", "board")
    assert process.returncode != 0
    assert "jinja2.exceptions.TemplateSyntaxError" in (day / "logs/board/board.log").read_text(encoding="utf-8")
    assert ((day / BOARD).read_bytes(), (day / "results/board/board.json").read_bytes()) == old
    assert not witness.exists(), witness.read_text()
