"""Keeps the day board up to date while a night runs, and makes it once more when the night has ended.

Usage: python -m night_board DAY [JOBS] < EVENTS
JOBS are those of the night, separated by commas; without them the night has ended already, and the board is made once.
EVENTS are the lines that workflow/logger writes; where they end, the night has ended, however that came.
"""

import sys
import time
import traceback
from pathlib import Path

from nightbay.pipeline import night_events
from nightbay.planning import board_plan, parameters, yaml_file
from nightbay.planning import day as day_plan
from nightbay.report import board

OFTEN = 20.0  # seconds between two boards that show no more than steps


def last(day: Path) -> None:
    """Make the board of a night that has ended."""
    board.make(day, _plan(day), None)


def keep(day: Path, running: list[str], lines) -> None:
    """Make the board at the beginning, with each report and each failure, with other steps now and then, at the end."""
    plan = _plan(day)
    made = _make(day, plan, running)
    reports = set()
    for event in night_events.events(lines):
        match event:
            case {"event": "job_info", "rule_name": "report", "jobid": number}:
                reports.add(number)
        decisive = event["event"] == "job_error" or event.get("job_id") in reports
        if decisive or time.monotonic() - made > OFTEN:
            made = _make(day, plan, running)
    _make(day, plan, None)


def _plan(day: Path):
    defaults = yaml_file.read(parameters.CLASSES.parent / "config.yaml", "config/config.yaml")
    return board_plan.board_plan(day_plan.plan(day, defaults), day)


def _make(day: Path, plan, running: list[str] | None) -> float:
    """Make the board; a fault is reported and ends no night. Returns when, in seconds."""
    try:
        board.make(day, plan, running)
    except Exception:
        traceback.print_exc()
    return time.monotonic()


if __name__ == "__main__":
    match sys.argv[1:]:
        case [day]:
            last(Path(day))
        case [day, jobs]:
            keep(Path(day), jobs.split(","), sys.stdin)
        case _:
            sys.exit(__doc__)
