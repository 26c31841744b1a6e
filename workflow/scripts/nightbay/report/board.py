"""The day board: every job of a day at a glance, those that failed or never ran included."""

import base64
import json
import traceback
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from nightbay.core.text_format import printable
from nightbay.report import page

UNFINISHED = "failed or not finished"
STATES = ("complete", "complete with warnings", "refused", UNFINISHED)


def board(
    jobs: Sequence[str],
    refused: Mapping[str, Sequence[str]],
    reports: Mapping[str, str | Path],
    *,
    day: str,
    logs: str = "logs",
    notes: Sequence[str] = (),
) -> tuple[dict[str, Any], str]:
    """The board's numbers and its page as HTML. A damaged report affects the row of its own job only.

    ``jobs``: names of the jobs that were planned. ``refused``: {name: sentences} of those whose job sheet was refused.
    ``reports``: {name: path of ``results/<job>/report/<job>.json``}; a job whose file is missing failed or has not run.
    ``day``: the board's heading. ``logs``: folder of the logs, as the reader finds it. ``notes``: sentences on what was
    skipped.
    """
    day = printable(day)
    shown = [_planned(name, reports.get(name), logs) for name in jobs]
    shown += [(_refused(name, sentences), None) for name, sentences in refused.items()]
    shown.sort(key=lambda row_and_picture: row_and_picture[0]["job"])
    rows = [row for row, _ in shown]
    counts = {word: sum(row["state"] == word for row in rows) for word in STATES}
    html = page.render(
        "board.html.j2",
        day=day,
        jobs=[{**row, "picture": picture, "link": _link(row)} for row, picture in shown],
        notes=notes,
        counts={word: count for word, count in counts.items() if count},
    )
    return {"day": day, "jobs": rows, "counts": counts}, html


def _planned(name: str, path: str | Path | None, logs: str) -> tuple[dict[str, Any], str | None]:
    """The row of a job that was planned, and its picture or None."""
    if path is None or not Path(path).is_file():
        return _unfinished(name, logs), None
    try:
        row = _finished(name, path)
        return row, _picture(row, path)
    except Exception as error:  # a damaged report, of whatever kind
        traceback.print_exc()
        return _damaged(name, f"{type(error).__name__}: {error}"), None


def _finished(name: str, path: str | Path) -> dict[str, Any]:
    """The row of a job with a report."""
    record = json.loads(Path(path).read_text(encoding="utf-8"))
    result = record["result"]
    if record["status"] != "ok":
        return _row(name, "refused", sentences=[reason["sentence"] for reason in record["reasons"]])
    reasons = [reason["sentence"] for reason in result["reasons"]]
    return _row(
        name,
        result["state"],
        title=result["title"],
        vehicle_class=result["vehicle_class"],
        points=result["points"],
        figures=result["figures"],
        page=f"results/{name}/report/{name}/{result['page']}",
        thumbnail=result["thumbnail"],
        sentences=reasons + result["warnings"],
    )


def _unfinished(name: str, logs: str) -> dict[str, Any]:
    sentence = (
        f"The job has no report: a stage failed, or the night ended before it ran; its logs are in {logs}/{name}."
    )
    return _row(name, UNFINISHED, sentences=[sentence], logs=f"{logs}/{name}")


def _damaged(name: str, why: str) -> dict[str, Any]:
    sentence = (
        f"The job's report can't be read ({why}): remove the folder results/{name}/report and run the night again."
    )
    return _row(name, UNFINISHED, sentences=[sentence])


def _refused(name: str, sentences: Sequence[str]) -> dict[str, Any]:
    return _row(name, "refused", sentences=list(sentences))


def _row(
    name: str, state: str, *, title: str | None = None, sentences: Sequence[str] = (), **known: Any
) -> dict[str, Any]:
    empty = {"vehicle_class": None, "points": None, "figures": "", "page": None, "thumbnail": None, "logs": None}
    return {
        "job": name,
        "state": state,
        "title": printable(title or name),
        "sentences": [printable(sentence) for sentence in sentences],
        **empty,
        **known,
    }


def _picture(row: Mapping[str, Any], path: str | Path) -> str | None:
    """The job's thumbnail as a data URI, which keeps the board whole when it is sent to someone."""
    if not row["thumbnail"]:
        return None
    data = (Path(path).with_suffix("") / row["thumbnail"]).read_bytes()
    return "data:image/png;base64," + base64.b64encode(data).decode("ascii")


def _link(row: Mapping[str, Any]) -> str | None:
    """The page of a job, seen from results/board/board/."""
    return row["page"] and row["page"].replace("results/", "../../", 1)
