"""What the day board takes from a plan: jobs, refusals, and the days of the scans."""

import os

import pytest
import yaml

from nightbay.planning import day as day_plan
from nightbay.planning import parameters
from nightbay.planning.board_plan import board_plan

DEFAULTS = yaml.safe_load((parameters.CLASSES.parent / "config.yaml").read_text(encoding="utf-8"))
SHEET = "vehicle_class: van\nunits: mm\n"
NOON = {"2026-03-01": 1772366400, "2026-03-03": 1772539200}  # 12:00 UTC: the same day in nearly every time zone


@pytest.fixture
def shop(tmp_path, monkeypatch):
    monkeypatch.setenv("TZ", "UTC")

    def add(name, sheet, *changed):
        (tmp_path / name / "raw").mkdir(parents=True)
        (tmp_path / name / "job.yaml").write_text(sheet)
        for number, moment in enumerate(changed):
            file = tmp_path / name / "raw" / f"{'ab'[number]}.ply"
            file.write_text(f"{name} {number}")
            os.utime(file, (moment, moment))

    add.folder = tmp_path
    return add


def planned(shop):
    return board_plan(day_plan.plan(shop.folder, DEFAULTS), shop.folder)


def test_days_come_from_the_newest_raw_file_of_each_job(shop):
    shop("van", SHEET, NOON["2026-03-01"], NOON["2026-03-03"])
    shop("hatch", SHEET, NOON["2026-03-01"])
    shop("bad", "- a list\n")
    found = planned(shop)
    assert found["jobs"] == ["hatch", "van"] and set(found["refused"]) == {"bad"}
    assert found["scanned"] == {"days": ["2026-03-01", "2026-03-03"], "by": "newest raw files"}


def test_a_day_that_the_job_sheet_states_comes_first(shop):
    shop("van", SHEET + "identity: {scanned_on: '2026-02-27'}\n", NOON["2026-03-03"])
    assert planned(shop)["scanned"] == {"days": ["2026-02-27"], "by": "job sheets"}


def test_a_day_without_a_job_has_no_date(shop):
    assert planned(shop)["scanned"] == {"days": [], "by": "job sheets"}
