"""What the events of a day's nights leave of each job: failed, stopped, in work, or reported since."""

import json
from datetime import datetime

import pytest

from nightbay.pipeline import night_events


def info(number, stage, job="van", **of):
    wildcards = {"job": job, **of}
    return {"event": "job_info", "jobid": number, "rule_name": stage, "wildcards": wildcards, "reason": ""}


def done(number):
    return {"event": "job_finished", "job_id": number}


def error(number, *logs):
    return {"event": "job_error", "jobid": number, "rule_name": "x", "log": list(logs)}


ALL = {"event": "job_info", "jobid": 0, "rule_name": "all", "wildcards": {}, "reason": ""}
INTAKE = info(1, "intake", part="exterior", segment="left")
FUSE = info(2, "fuse", part="exterior")
REPORT = info(3, "report")
STOPPED = {"event": "stopped"}


@pytest.fixture
def read(tmp_path):
    """Nights of these events, a list each; every event comes a minute after the one before."""

    def of(*nights):
        folder = tmp_path / "logs/night"
        folder.mkdir(parents=True)
        minute = 0
        for number, events in enumerate(nights):
            lines = []
            for event in events:
                lines.append(json.dumps({**event, "time": f"2026-03-01T{22 + minute // 60}:{minute % 60:02}:00+01:00"}))
                minute += 1
            (folder / f"2026-03-0{number + 1}T22-00-00.events.jsonl").write_text("\n".join(lines) + "\n")
        return night_events.read(tmp_path)

    return of


def states(nights, job="van"):
    return [(attempt.step.stage, attempt.state) for attempt in nights.unreported[job].attempts]


def test_a_job_with_a_report_has_nothing_unreported(read):
    nights = read([INTAKE, done(1), FUSE, done(2), REPORT, done(3), ALL, done(0)])
    assert nights.unreported == {}
    assert nights.began == datetime.fromisoformat("2026-03-01T22:00:00+01:00")
    assert nights.ended == datetime.fromisoformat("2026-03-01T22:07:00+01:00")


def test_a_failed_stage_is_named_with_its_log(read):
    nights = read([INTAKE, done(1), FUSE, error(2, "logs/van/fuse/exterior.log")])
    assert states(nights) == [("intake", "done"), ("fuse", "failed")]
    failed = nights.unreported["van"].attempts[1]
    assert failed.logs == ("logs/van/fuse/exterior.log",)
    assert (failed.step.job, failed.step.unit) == ("van", "exterior")
    assert nights.unreported["van"].last == datetime.fromisoformat("2026-03-01T22:03:00+01:00")


def test_a_step_that_is_tried_again_counts_by_its_last_attempt(read):
    assert states(read([FUSE, error(2), FUSE])) == [("fuse", "running")]


def test_what_ran_when_a_night_was_killed_is_stopped_for_the_next(read):
    assert states(read([INTAKE, done(1), FUSE], [info(1, "intake", "coach", part="exterior", segment="a")])) == [
        ("intake", "done"),
        ("fuse", "stopped"),
    ]


def test_what_fails_after_a_signal_did_not_fail(read):
    assert states(read([INTAKE, done(1), FUSE, STOPPED, error(2, "fuse.log")])) == [
        ("intake", "done"),
        ("fuse", "stopped"),
    ]


def test_a_report_of_a_later_night_settles_a_failure(read):
    assert read([FUSE, error(2)], [FUSE, done(2), REPORT, done(3)]).unreported == {}


def test_a_night_with_nothing_to_do_is_not_the_last_one_that_ran(read):
    nights = read([FUSE, done(2), REPORT, done(3)], [{"event": "progress", "done": 0, "total": 0}])
    assert nights.ended == datetime.fromisoformat("2026-03-01T22:03:00+01:00")


def test_lines_that_a_killed_night_left_unfinished_are_skipped(tmp_path):
    folder = tmp_path / "logs/night"
    folder.mkdir(parents=True)
    (folder / "n.events.jsonl").write_bytes(json.dumps(FUSE).encode() + b'\n[1]\n\xff\n{"event": "job_fin')
    assert states(night_events.read(tmp_path)) == [("fuse", "running")]
    assert night_events.read(tmp_path).began is None  # events of an older form have no time


def test_a_day_without_nights(tmp_path):
    assert night_events.read(tmp_path) == night_events.Nights()
