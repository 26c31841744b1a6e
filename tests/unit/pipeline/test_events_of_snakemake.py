"""The logger plugin: which of Snakemake's events it writes, for a stage that failed alone or with others."""

import json
import logging
import sys

import pytest
from snakemake_interface_logger_plugins.common import LogEvent

from nightbay.core.paths import SCRIPTS

sys.path.append(str(SCRIPTS.parent / "logger"))
plugin = pytest.importorskip("snakemake_logger_plugin_nightbay")


@pytest.fixture
def written(tmp_path, monkeypatch):
    """Calls with the fields of an event and returns the lines that the plugin wrote of it."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "done.json").touch()
    (tmp_path / "fuse.log").touch()

    def write(event, **fields):
        handler = object.__new__(plugin.LogHandler)
        handler.settings = plugin.LogHandlerSettings(events=tmp_path / "events.jsonl")
        plugin.LogHandler.__post_init__(handler)
        handler.emit(logging.makeLogRecord({"event": event, **fields}))
        handler.events.close()
        return [json.loads(line) for line in (tmp_path / "events.jsonl").read_text().splitlines()]

    return write


def test_a_failed_stage_has_the_logs_that_there_are(written):
    (event,) = written(
        LogEvent.JOB_ERROR, jobid=3, rule_name="fuse", log=["fuse.log", "fill.log"], output=["made.json", "done.json"]
    )
    assert (event["event"], event["jobid"], event["log"]) == ("job_error", 3, ["fuse.log"])


def test_a_stage_that_was_done_before_another_of_its_job_failed_did_not_fail(written):
    assert written(LogEvent.JOB_ERROR, jobid=3, rule_name="fuse", log=["fuse.log"], output=["done.json"]) == []


def test_what_the_night_does_not_need_is_not_written(written):
    assert written(LogEvent.SHELLCMD, shellcmd="x") == []
