"""The scanners of a day on its board: jobs that a bad scanner touches, and how its quantities ran over the days."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from nightbay.core.language import say
from nightbay.report import history_chart, scanner, scanner_history
from nightbay.report.history_chart import Dot
from nightbay.report.job_summary import COMPLETE, WARNED
from nightbay.report.scanner_history import Row

DAYS_MOST = 30  # in a chart: the last ones
Report = Mapping[str, Any]


@dataclass(frozen=True)
class Shown:
    """A scanner on the board: its name, and of each artefact the charts (SVG) of its quantities."""

    name: str
    charts: list[str]


def warn(rows: Sequence[dict[str, Any]], reports: Mapping[str, Report]) -> None:
    """Add to each finished job what artefacts of other jobs of the day say of its scanner.

    ``rows`` of the board, which are changed; ``reports``: results of those that have one. A job is touched where both
    job sheets name the same scanner and do not name two days.
    """
    for row in rows:
        if row["state"] not in (COMPLETE, WARNED) or row["job"] not in reports:
            continue
        own = reports[row["job"]].get("scanner", {})
        for job, report in sorted(reports.items()):
            if job == row["job"] or not _same(own, report.get("scanner", {})):
                continue
            for worse in (report.get("artefact") or {"worse": []})["worse"]:
                row["sentences"].append(
                    say("Same scanner as in job {job}. {finding}", job=job, finding=worse["sentence"])
                )
                before = [] if row["state"] == COMPLETE else row["next_steps"]  # a complete job is to be delivered
                row["next_steps"] = list(dict.fromkeys([*before, worse["step"]]))
                row["state"] = WARNED


def _same(a: Mapping[str, str | None], b: Mapping[str, str | None]) -> bool:
    if not a.get("scanner") or a["scanner"] != b.get("scanner"):
        return False
    return a.get("scanned_on") == b.get("scanned_on") or None in (a.get("scanned_on"), b.get("scanned_on"))


def shown(today: Sequence[Row], history: Sequence[Row], day: str) -> list[Shown]:
    """The scanners that were checked on this day, with the charts of their quantities over the days.

    ``today``: the rows of this day, whose key is ``day``; ``history``: those of the file, of which other days count.
    """
    rows = [row for row in history if row["day"] != day] + list(today)
    found = []
    for name in sorted({row["scanner"] or "" for row in today}):
        own = [row for row in rows if (row["scanner"] or "") == name]
        series = dict.fromkeys(_series(row) for row in today if (row["scanner"] or "") == name)
        charts = [_chart(artefact, key, own, day) for artefact, key in series]
        found.append(Shown(name or say("scanner not stated"), charts))
    return found


def values(day: Path, file: Path, today: Sequence[Row]) -> dict[str, Any]:
    """What the template gets: ``scanners``; the history's file, its damaged lines, and why it can't be read."""
    history: list[Row] = []
    damaged, fault = 0, None
    try:
        history, damaged = scanner_history.read(file)
    except (OSError, ValueError) as error:
        fault = str(error)
    scanners = shown(today, history, scanner_history.key_of(day, file))
    return {"scanners": scanners, "history_file": file.name, "history_damaged": damaged, "history_fault": fault}


def _series(row: Row) -> tuple[str, str]:
    return row["artefact"], row["key"]


def _chart(artefact: str, key: str, rows: Sequence[Row], day: str) -> str:
    """Of a bar both spheres, because which of them is the first is not known from day to day."""
    by_day: dict[tuple[str, str], dict[int | None, Row]] = {}
    for row in rows:
        if _series(row) == (artefact, key):
            spheres = by_day.setdefault((row["scanned_on"] or "", row["day"]), {})
            known = spheres.get(row["of"])
            if known is None or len(row["view"]) > len(known["view"]):  # the joined view says more
                spheres[row["of"]] = row
    dots = [
        Dot(row["scanned_on"] or row["day"], row["value_mm"], row["uncertainty_mm"], row["day"] == day)
        for _, spheres in sorted(by_day.items())[-DAYS_MOST:]
        for row in spheres.values()
    ]
    name = say(scanner.NAMES[key]) if key in scanner.NAMES else key
    return history_chart.draw(say("{artefact}: {quantity}", artefact=artefact, quantity=name), dots)
