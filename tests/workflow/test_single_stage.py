"""One stage of the finished small day run again by itself, as a developer would."""

import os
import pstats
import shutil
import subprocess

import pytest

from nightbay.core import hashing
from nightbay.planning import single_stage
from workflow import nights

JOB = "finch-compact"  # the smallest of the demo


def run(day, *words, **process):
    command = ["bash", str(nights.ROOT / "workflow" / "stage.sh"), str(day), *words]
    return subprocess.run(command, capture_output=True, text=True, check=False, **process)


def state(day):
    """Every file of the day with its hash and the time of its last change, but for the results that a call leaves."""
    return {
        str(path): (hashing.sha256(path), path.stat().st_mtime_ns)
        for folder in ("results", "logs", "benchmarks", ".snakemake/metadata", JOB)
        for path in sorted((day / folder).rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module")
def day(finished, tmp_path_factory):
    """A copy of the finished day with one job only."""
    copy = tmp_path_factory.mktemp("alone") / "day"
    ignore = shutil.ignore_patterns("larch-*", "pebble-*", "stage")
    shutil.copytree(finished[0], copy, ignore=ignore)
    return copy


def test_it_gives_what_the_night_gave_and_leaves_the_night_s_files(day, tmp_path):
    before = state(day)
    done = run(day, "clean", JOB, "exterior.left", "--profile", "clean.profile", cwd=tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "It is the same as the night's results/finch-compact/clean/exterior.left.json" in done.stdout
    night = day / "results" / JOB / "clean"
    own = day / ".nightbay" / "stage" / JOB / "clean"
    assert (own / "exterior.left.json").read_bytes() == (night / "exterior.left.json").read_bytes()
    assert (own / "exterior.left/cloud.ply").read_bytes() == (night / "exterior.left/cloud.ply").read_bytes()
    assert state(day) == before
    functions = {name for _, _, name in pstats.Stats(str(tmp_path / "clean.profile")).stats}
    assert "clean" in functions


def test_output_goes_to_the_terminal_and_results_to_the_folder_that_is_given(day, tmp_path):
    """With another job sheet than the night's, so that it says what differs from the night."""
    sheet = day / JOB / "job.yaml"
    old = sheet.read_text()
    sheet.write_text(old + "note: Front bumper off.\n")
    try:
        done = run(day, "report", JOB, "--out", "mine", "--threads", "2", cwd=tmp_path)
    finally:
        sheet.write_text(old)
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.startswith((day / "logs" / JOB / "report" / f"{JOB}.log").read_text())
    assert (tmp_path / "mine" / JOB / "report" / JOB / "report.html").is_file()
    assert f"It differs from the night's results/{JOB}/report/{JOB}.json in files" in done.stdout


def test_a_breakpoint_opens_the_debugger(day, tmp_path):
    """With a copy of the project whose stage holds one."""
    house = nights.copy_house(tmp_path / "house")
    os.symlink(nights.ROOT / "envs" / ".venvs", house / "envs" / ".venvs")
    script = house / "workflow" / "scripts" / "report.py"
    script.write_text("breakpoint()\n" + script.read_text())
    command = ["bash", str(house / "workflow" / "stage.sh"), str(day), "report", JOB, "--out", str(tmp_path / "mine")]
    done = subprocess.run(command, input="p snakemake.rule\nc\n", capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "(Pdb) 'report'" in done.stdout


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("fuze", JOB, "exterior"), "There is no stage 'fuze' (did you mean 'fuse'?)."),
        (("clean", "finch", "exterior.left"), f"The day has no job 'finch' (there are {JOB}, morning-check)."),
        (("fuse", JOB, "exterieur"), f"There is no part of {JOB} called 'exterieur' (did you mean 'exterior'?)."),
        (
            ("clean", JOB, "exterior.lefd"),
            f"There is no segment of {JOB} exterior called 'lefd' (did you mean 'left'?).",
        ),
        (
            ("clean", JOB),
            f"clean works on a segment: name it as PART.SEGMENT ({JOB} has exterior.left, exterior.rear).",
        ),
        (
            ("clean", JOB, "exterior"),
            f"clean works on a segment: name it as PART.SEGMENT ({JOB} has exterior.left, exterior.rear).",
        ),
        (("fuse", JOB, "exterior.left"), "fuse works on a whole part: leave '.left' out."),
        (("report", JOB, "exterior"), "report works on a whole job: leave 'exterior' out."),
    ],
)
def test_a_wrong_call_is_one_sentence(day, words, sentence, monkeypatch, capfd):
    """Called as workflow/stage.sh does after it has read the options; the next test calls the script itself."""
    monkeypatch.chdir(day)  # the call changes to it: back afterwards
    with pytest.raises(SystemExit) as ended:
        single_stage.main([str(day), *words, *[""] * (3 - len(words)), "", "1", ""])
    assert (ended.value.code, *capfd.readouterr()) == (2, "", sentence + "\n")


def test_a_stage_before_it_that_is_not_finished_is_one_sentence(day):
    network = day / "results" / JOB / "network" / "exterior.json"
    aside = network.rename(network.with_suffix(".aside"))
    try:
        done = run(day, "refine", JOB, "exterior")
    finally:
        aside.rename(network)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == (
        f"refine reads the result results/{JOB}/network/exterior.json, which the night has not finished: run "
        f"workflow/night.sh with --jobs {JOB} first.\n"
    )


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ((), "A day folder, a stage and a job are needed."),
        (("nowhere", "fuse", "van"), "The day folder nowhere does not exist."),
        ((".", "fuse", "van", "--threads", "many"), "--threads is 'many': a whole number of at least 1 is needed."),
        ((".", "fuse", "van", "--fast"), "--fast is not an option of this command."),
        ((".", "fuse", "van", "exterior", "more"), "'more' is one word too many."),
    ],
)
def test_a_call_that_can_t_be_read_shows_the_usage(words, sentence, tmp_path):
    command = ["bash", str(nights.ROOT / "workflow" / "stage.sh"), *words]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=tmp_path)
    assert done.returncode == 2
    assert done.stderr.startswith(f"{sentence}\n  Usage: bash workflow/stage.sh DAY STAGE JOB")
