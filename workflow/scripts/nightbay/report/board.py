"""The day board: every job of a day at a glance, the most urgent first, those that failed or never ran included."""

import base64
import json
from collections.abc import Collection, Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any

import jsonschema

from nightbay.core import language
from nightbay.core.cautions import CAUTIONS, HEADLINE
from nightbay.core.language import say, stage_sentence
from nightbay.core.paths import SCHEMAS
from nightbay.core.text_format import THIN, not_measured, number
from nightbay.pipeline import night_events, provenance, stage, stages
from nightbay.pipeline.night_events import Nights
from nightbay.report import board_changes, board_rows, board_scanner, page, scanner_history, stage_costs
from nightbay.report.board_rows import STATES

JSON, PAGE = "results/board/board.json", "results/board/board/index.html"
RENEWED_SECONDS = 60  # how often a page in work is loaded again
ROOF = next(sentence for sentence in CAUTIONS if "roof" in sentence)


def board(
    day: Path,
    *,
    name: str,
    jobs: Sequence[str],
    refused: Mapping[str, Sequence[str]],
    notes: Sequence[str] = (),
    scanned: Mapping[str, Any] | None = None,
    titles: Mapping[str, str] | None = None,
    running: Collection[str] | None = None,
    history: str | None = None,
) -> tuple[dict[str, Any], str]:
    """The board's numbers and its page as HTML, in the language in use but for what reports and release checks say.

    A damaged report affects the row of its own job only.

    ``day``: the day's folder, from whose reports, records and events the board is made; ``name`` of the day. ``jobs``:
    names of the jobs that were planned, ``titles`` of those whose job sheet has one. ``refused``: {name: sentences} of
    those whose job sheet was refused. ``notes``: sentences on what was skipped. ``scanned``: {"days": of the scans, ISO
    8601, sorted; "by": what states them}. ``running``: the jobs of a night that still runs; None once it has ended.
    ``history``: the parameter artefact.history.
    """
    nights, before = night_events.read(day), _before(day)
    reported: dict[str, Any] = {}
    reports: dict[str, Any] = {}
    rows = []
    for job in jobs:
        row, report = board_rows.planned(job, day, (titles or {}).get(job), nights.unreported.get(job), running)
        known = before.get(job)
        shown = _shown(day, job, report) if report else known
        rows.append({**row, **_further(day, job), "changes": _changes(known, shown) if report else []})
        reports |= {job: report} if report else {}
        if shown:
            reported[job] = shown | {"changes": rows[-1]["changes"] if report else shown["changes"]}
    for job, sentences in refused.items():
        rows.append({**board_rows.refused(job, sentences), "stages": [], "release_check": None, "changes": []})
    board_scanner.warn(rows, reports)
    rows.sort(key=lambda row: (STATES.index(row["state"]), row["job"]))
    result = board_rows.visible(
        {
            "day": name,
            "scanned": scanned or {"days": [], "by": "job sheets"},
            "night": _night(nights, running is not None),
            "jobs": rows,
            "counts": {state: sum(row["state"] == state for row in rows) for state in STATES},
            "notes": [stage_sentence(note) for note in notes],
            "reported": reported,
            "artefacts": scanner_history.rows_of(day, scanner_history.place(day, history), reports),
        }
    )
    jsonschema.validate(result, json.loads((SCHEMAS / "board.schema.json").read_text(encoding="utf-8")))
    return result, _html(day, result, scanner_history.place(day, history))


def make(day: Path, plan: Mapping[str, Any], running: Collection[str] | None = None) -> None:
    """Make the board of a day by its :func:`nightbay.planning.board_plan.board_plan`, in the plan's language."""
    known = dict(plan)
    with language.use(language.of_code(known.pop("language"))):
        write(day, *board(day, name=day.name, **known, running=running))


def write(day: Path, result: Mapping[str, Any], html: str) -> None:
    """Write the board below the day, each of its two files whole or not at all."""
    for path in (day / PAGE, day / JSON):
        path.parent.mkdir(parents=True, exist_ok=True)
    stage.write_text(day / PAGE, html)
    stage.write_json(day / JSON, {"stage": "board", "status": "ok", "result": result})


def _html(day: Path, result: Mapping[str, Any], history: Path) -> str:
    shown = [
        {**row, "picture": _picture(day, row), "link": _link(row["page"]), "customer_link": _link(row["customer_page"])}
        for row in result["jobs"]
    ]
    return page.render(
        "board.html.j2",
        **{key: result[key] for key in ("day", "scanned", "notes", "night")},
        jobs=shown,
        counts={state: count for state, count in result["counts"].items() if count},
        date=_dates(result["scanned"]["days"]),
        moment=_moment,
        duration=_duration,
        renewed_seconds=RENEWED_SECONDS,
        unit_in_words=stage_costs.unit_in_words,
        cautions=(say(HEADLINE), say(ROOF)),
        **board_scanner.values(day, history, result["artefacts"]),
    )


def _before(day: Path) -> dict[str, Any]:
    """What the board before shows of each job that has a report; empty where there is none or an older form of it."""
    try:
        before = json.loads((day / JSON).read_text(encoding="utf-8"))["result"]["reported"]
        return {job: known for job, known in before.items() if set(known) == set(_REPORTED)}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}


_REPORTED = ("report", "state", "sizes", "parameters", "changes")


def _shown(day: Path, job: str, report: Mapping[str, Any]) -> dict[str, Any]:
    """What the next board compares a job's report with."""
    return {
        "report": provenance.content(day / board_rows.report_of(job)),
        "state": report["state"],
        "sizes": report.get("sizes", []),
        "parameters": report.get("parameters", {}),
        "changes": [],
    }


def _changes(before: Mapping[str, Any] | None, shown: Mapping[str, Any] | None) -> list[str]:
    """What a rerun changed. A board that is made again from the same report says the same."""
    if before is None or shown is None:
        return []
    if before["report"] == shown["report"]:
        return list(before["changes"])
    return board_changes.changes(before, shown)


def _further(day: Path, job: str) -> dict[str, Any]:
    """What lies beside a job's report: time and memory of its stages, and the verdict of the release check."""
    costs = stage_costs.of_job(day / "logs" / job, tuple(stages.STAGES))
    return {"stages": costs, "release_check": _release_check(day / "results" / job, job)}


def _release_check(folder: Path, job: str) -> dict[str, str] | None:
    """The verdict of a job's release check in words and what it says to do; None without one that can be read.

    ``folder``: results/<job> of the day.
    """
    try:
        record = json.loads((folder / "release" / f"{job}.json").read_text(encoding="utf-8"))
        verdict, said = record["result"]["verdict"], _said(record["result"]["actions"])
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return {"state": verdict, "sentence": said} if isinstance(verdict, str) else None


def _said(actions: Sequence[Mapping[str, str]]) -> str:
    return " ".join(action["sentence"] for action in actions) or say("Nothing to do.")


def _night(nights: Nights, running: bool) -> dict[str, Any]:
    began, ended = (time.isoformat() if time else None for time in (nights.began, nights.ended))
    return {"running": running, "began": began, "ended": ended}


def _picture(day: Path, row: Mapping[str, Any]) -> str | None:
    """The job's thumbnail as a data URI, which keeps the board whole when it is sent to someone."""
    if not row["thumbnail"]:
        return None
    data = (day / board_rows.report_of(row["job"])).with_suffix("").joinpath(row["thumbnail"]).read_bytes()
    return "data:image/png;base64," + base64.b64encode(data).decode("ascii")


def _link(path: str | None) -> str | None:
    """A page below results/, seen from results/board/board/."""
    return path and path.replace("results/", "../../", 1)


def _dates(scanned: Sequence[str]) -> str | None:
    """Days in words: the only one, or the first and the last."""
    if not scanned:
        return None
    first, last = (language.day(date.fromisoformat(day)) for day in (scanned[0], scanned[-1]))
    return first if first == last else say("{first} to {last}", first=first, last=last)


def _moment(text: str) -> str:
    """A time in words, as the clock of the machine showed it."""
    return language.moment(datetime.fromisoformat(text))


def _duration(seconds: float | None) -> str:
    """Seconds as a person reads them."""
    if seconds is None:
        return not_measured()
    minutes, rest = divmod(round(seconds), 60)
    if not minutes:
        return f"{number(seconds, 1)}{THIN}s"
    hours, minutes = divmod(minutes, 60)
    return f"{number(hours)}{THIN}h {minutes:02}{THIN}min" if hours else f"{minutes}{THIN}min {rest:02}{THIN}s"
