"""What of a day can go, and that nothing else does."""

import hashlib
import json
import os

import pytest

from nightbay.core.errors import Rejected
from nightbay.housekeeping import command, space
from nightbay.night import day_lock
from nightbay.pipeline.stages import STAGES

DATA = b"0" * 20_000


def write(path, content=DATA):
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)


@pytest.fixture
def day(tmp_path):
    """A day with one job that is complete."""
    add_job(tmp_path, "van", "complete")
    return tmp_path


def add_job(day, job, state):
    write(day / job / "raw/left.ply")
    results = day / "results" / job
    for name, stage in STAGES.items():
        place = {"segment": "exterior.left", "part": "exterior", "job": job}[stage.unit]
        write(results / name / f"{place}.json", json.dumps({"result": {"state": state}}).encode())
        write(results / name / place / "data.bin")
    sums = f"{hashlib.sha256(DATA).hexdigest()}  data.bin\n"
    write(results / "deliver/exterior" / space.SUMS, sums.encode())


def files(day):
    return {path.relative_to(day).as_posix() for path in day.rglob("*") if path.is_file()}


def hold(day, log):
    (day / ".nightbay").mkdir(exist_ok=True)
    return day_lock.take(day, day_lock.this_process(log, "2026-03-04"))


def freed(day):
    """Free what can go of a day: (files that went, what was said)."""
    before = files(day)
    said = command.free(day, space.of_day(day))
    return before - files(day), said


def test_only_intermediate_data_goes(day):
    gone, said = freed(day)
    intermediate = set(STAGES) - set(space.KEPT)
    assert said == []
    assert {path.split("/")[2] for path in gone} == intermediate
    assert all(path.endswith("data.bin") for path in gone)
    assert {"van/raw/left.ply", "results/van/deliver/exterior/data.bin"} <= files(day)
    assert not (day / space.LEAVING).exists()


def test_sizes_are_those_of_the_disk(day):
    (found,) = space.of_day(day)
    assert found.raw == (day / "van/raw/left.ply").stat().st_blocks * 512
    assert found.intermediate == (len(STAGES) - len(space.KEPT)) * found.raw
    (day / "van/raw/again.ply").hardlink_to(day / "van/raw/left.ply")
    assert space.used(day / "van/raw") == found.raw


@pytest.mark.parametrize("state", ["refused", "failed"])
def test_a_job_that_is_not_complete_keeps_its_data(day, state):
    add_job(day, "hatch", state)
    gone, _ = freed(day)
    assert not any(path.startswith("results/hatch") for path in gone)
    assert [each.why_not for each in space.of_day(day)][0] == f"it is {state}: its data shows why"


def test_a_job_without_a_report_keeps_its_data(day):
    (day / "results/van/report/van.json").unlink()
    assert freed(day)[0] == set()


def test_a_job_without_deliverables_keeps_its_data(day):
    (day / "results/van/deliver/exterior" / space.SUMS).unlink()
    assert freed(day)[0] == set()


@pytest.mark.parametrize("damage", ["missing", "changed"])
def test_a_damaged_deliverable_keeps_the_data_and_is_named(day, damage):
    path = day / "results/van/deliver/exterior/data.bin"
    path.unlink() if damage == "missing" else path.write_bytes(b"1")
    gone, (said,) = freed(day)
    assert gone == set()
    assert "results/van/deliver/exterior/data.bin" in said and "run the night" in said


def test_a_day_that_a_night_works_on_keeps_its_data(day):
    lock = hold(day, day / "logs/night/1.log")
    gone, (said,) = freed(day)
    os.close(lock)
    assert gone == set() and "Another night run is still working" in said and "logs/night/1.log" in said


def test_while_space_is_freed_no_night_begins(day):
    lock = hold(day, None)
    with pytest.raises(Rejected, match="is being freed, by .* start again when that has ended"):
        hold(day, day / "logs/night/1.log")
    os.close(lock)


def test_data_behind_a_link_out_of_the_day_stays(day, tmp_path_factory):
    away = tmp_path_factory.mktemp("away") / "clean"
    (day / "results/van/clean").rename(away)
    (day / "results/van/clean").symlink_to(away)
    gone, _ = freed(day)
    assert gone == set() and (away / "exterior.left/data.bin").is_file()


def test_what_an_interrupted_call_left_is_removed(day):
    write(day / space.LEAVING / "half/data.bin")
    freed(day)
    assert not (day / space.LEAVING).exists()


def test_the_table_says_what_can_go_and_why_not(day):
    add_job(day, "hatch", "refused")
    lines = command.table(day, space.of_day(day))
    assert lines[2].startswith("hatch") and lines[2].endswith("its data shows why")
    assert lines[3].startswith("van") and lines[3].endswith("can go")
    assert "free on its disk" in lines[0] and lines[4].startswith("all")
