"""The attempts at a step: only too little memory is worth another, with more; what failed stays to be read."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPTS = Path(__file__).resolve().parents[3] / "workflow" / "scripts"
WORKS = {
    "done": "import time; time.sleep(0.5); print('all is well')",
    "memory": "raise MemoryError('no room')",
    "bug": "print('before'); {}['lost']",
}


@pytest.fixture
def attempt(tmp_path, monkeypatch):
    """Makes an attempt in an interpreter of its own, whose output it redirects; its exit code."""
    monkeypatch.chdir(tmp_path)

    def make(work, **resources):
        Path("fuse.log").unlink(missing_ok=True)  # as Snakemake does before each attempt
        call = f"attempts.run(lambda: exec({WORKS[work]!r}), 'fuse.log', {resources!r})"
        code = f"from nightbay.pipeline import attempts\n{call}"
        environment = {**os.environ, "PYTHONPATH": str(SCRIPTS)}
        return subprocess.run([sys.executable, "-c", code], check=False, env=environment).returncode

    return make


def record():
    return [entry["cause"] for entry in json.loads(Path("fuse.attempts.json").read_text())]


def test_an_attempt_that_succeeds_says_what_it_used(attempt):
    assert attempt("done", mem_mb=4000, runtime=2, attempt=1) == 0
    assert Path("fuse.log").read_text() == "all is well\n"
    (entry,) = json.loads(Path("fuse.attempts.json").read_text())
    assert entry["cause"] == "done" and 5 < entry["peak_mb"] < 500 and entry["seconds"] < 120
    assert (entry["allowed_mb"], entry["allowed_s"], entry["attempt"]) == (4000, 120, 1)
    assert not list(Path().glob("*.attempt-*"))


def test_too_little_memory_is_worth_an_attempt_with_more(attempt):
    assert attempt("memory", mem_mb=1000, attempt=1) == 1
    assert "no room" in Path("fuse.attempt-1.log").read_text()
    assert attempt("done", mem_mb=2000, attempt=2) == 0
    assert record() == ["memory", "done"]
    assert Path("fuse.log").read_text() == "all is well\n"
    assert "no room" in Path("fuse.attempt-1.log").read_text()


def test_too_little_memory_is_worth_none_with_the_same(attempt):
    assert attempt("memory", mem_mb=1000, attempt=1) == 1
    assert attempt("done", mem_mb=1000, attempt=2) == 1
    assert record() == ["memory"]


def test_any_other_fault_is_not_repeated_and_its_log_is_the_first_one_s(attempt):
    assert attempt("bug", mem_mb=1000, attempt=1) == 1
    first = Path("fuse.log").read_text()
    assert first.startswith("before\n") and "KeyError: 'lost'" in first and "ended by exception" in first
    assert attempt("done", mem_mb=2000, attempt=2) == 1
    assert Path("fuse.log").read_text() == first
    assert record() == ["exception"]


def test_the_first_attempt_of_another_night_begins_anew(attempt):
    attempt("bug", attempt=1)
    assert attempt("done", attempt=1) == 0
    assert record() == ["done"]
    assert not Path("fuse.attempt-1.log").exists()


def test_an_attempt_whose_watch_was_killed_has_no_record_and_is_made_again(attempt):
    assert attempt("done", mem_mb=1000, attempt=2) == 0
    assert record() == ["done"]


@pytest.mark.parametrize("text", ["", "[1]", '[{"cause": "memory"}]', "{}"])
def test_a_damaged_record_is_no_record(attempt, text):
    Path("fuse.attempts.json").write_text(text)
    assert attempt("done", attempt=2) == 0


def test_a_step_that_had_ended_well_runs_again_when_it_is_asked_to(attempt):
    assert attempt("done", mem_mb=1000, attempt=1) == 0
    assert attempt("done", mem_mb=1000, attempt=2) == 0
    assert record() == ["done", "done"]
