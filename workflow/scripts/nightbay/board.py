"""The day board: every job of a day at a glance, those that failed or never ran included."""

import base64
import json
from pathlib import Path

from nightbay import page

UNFINISHED = "failed or not finished"
STATES = ("complete", "complete with warnings", "refused", UNFINISHED)


def board(jobs, refused, reports, folder, *, day, logs="logs", notes=()):
    """Write ``index.html`` into ``folder`` and return the board's numbers.

    ``jobs``: names of the jobs that were planned. ``refused``: {name: sentences} of those whose job sheet was refused.
    ``reports``: {name: path of ``results/<job>/report/<job>.json``}; a job whose file is not there
    failed or has not run. ``day``: what the board is headed by. ``logs``: folder of the logs, as it is to be named to
    the reader. ``notes``: sentences on what was left aside.
    """
    rows = [_finished(name, reports.get(name)) or _unfinished(name, logs) for name in jobs]
    rows += [_refused(name, sentences) for name, sentences in refused.items()]
    rows.sort(key=lambda row: row["job"])
    counts = {word: sum(row["state"] == word for row in rows) for word in STATES}
    shown = [{**row, "picture": _picture(row, reports), "link": _link(row)} for row in rows]
    html = page.render(
        "board.html.j2",
        day=day,
        jobs=shown,
        notes=notes,
        counts={word: count for word, count in counts.items() if count},
    )
    (Path(folder) / "index.html").write_text(html, encoding="utf-8", newline="\n")
    return {"day": day, "jobs": rows, "counts": counts}


def _finished(name, path):
    """A job with a report; None where it has none."""
    if path is None or not Path(path).is_file():
        return None
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


def _unfinished(name, logs):
    sentence = f"The job has no report: a stage failed, or the night ended before it; its logs are in {logs}/{name}."
    return _row(name, UNFINISHED, sentences=[sentence], logs=f"{logs}/{name}")


def _refused(name, sentences):
    return _row(name, "refused", sentences=list(sentences))


def _row(name, state, **known):
    empty = {"title": name, "vehicle_class": None, "points": None, "figures": "", "page": None, "thumbnail": None}
    return {"job": name, "state": state, **empty, "sentences": [], "logs": None, **known}


def _picture(row, reports):
    """The job's thumbnail as a data URI, so that the board stays whole when it is sent to someone."""
    if not row["thumbnail"]:
        return None
    path = Path(reports[row["job"]])
    data = (path.with_suffix("") / row["thumbnail"]).read_bytes()
    return "data:image/png;base64," + base64.b64encode(data).decode("ascii")


def _link(row):
    """The page of a job, seen from results/board/board/."""
    return row["page"] and row["page"].replace("results/", "../../", 1)
