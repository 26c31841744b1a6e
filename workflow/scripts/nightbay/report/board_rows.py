"""The row of each job on the day board: its state, what decided it, and the next step."""

import json
import os
import traceback
from collections.abc import Collection, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from nightbay.core.language import phrase, say, stage_sentence
from nightbay.core.printable import printable
from nightbay.core.text_format import listing, plural
from nightbay.pipeline.night_events import Attempt, Unreported
from nightbay.report import failed_steps, next_step, stage_costs
from nightbay.report.job_summary import COMPLETE, REFUSED, WARNED

FAILED, NOT_FINISHED, IN_WORK = "failed", "not finished", "in work"
STATES = (FAILED, REFUSED, NOT_FINISHED, WARNED, IN_WORK, COMPLETE)  # the most urgent first
LABELS = {
    FAILED: phrase("failed"),
    REFUSED: phrase("refused"),
    NOT_FINISHED: phrase("not finished"),
    WARNED: phrase("complete with warnings"),
    IN_WORK: phrase("in work"),
    COMPLETE: phrase("complete"),
}
NONE: dict[str, Any] = {
    "vehicle_class": None,
    "points": None,
    "sizes": [],
    "evidence": [],
    "joined": None,
    "page": None,
    "customer_page": None,
    "thumbnail": None,
    "logs": [],
}
GO_ON = phrase("Run the same command: it goes on where it stopped.")


def planned(
    name: str, day: Path, title: str | None, unreported: Unreported | None, running: Collection[str] | None
) -> tuple[dict[str, Any], dict[str, Any]]:
    """The row of a job that was planned, and the result of its report, empty where it has none that can be read.

    ``title``: of its job sheet; ``unreported``: what was begun of it after its last report; ``running``: the jobs of a
    night that still runs.
    """
    path = day / report_of(name)
    report, fault = _read(path)
    begun = unreported.attempts if unreported and not _overtaken(path, unreported.last) else []
    old = {"title": title} | (_shown(name, report) if report else {})
    failed = [attempt for attempt in begun if attempt.state == "failed"]
    if failed:
        return row(name, FAILED, *_failed(day, failed), **_page_of(old), logs=_logs(failed)), {}
    if running is not None and name in running and (begun or not report):
        return row(name, IN_WORK, [_in_work(begun)], [say("Nothing to do yet.")], **_page_of(old)), {}
    if begun:
        sentence = say("The night ended before the job was finished; it had reached {step}.", step=_words(begun[-1]))
        return row(name, NOT_FINISHED, [sentence, *_older(old)], [say(GO_ON)], **_page_of(old)), {}
    if fault:
        sentence = say("The job's report can't be read ({fault}).", fault=fault)
        step = say("Remove the folder results/{job}/report and run the same command.", job=name)
        return row(name, FAILED, [sentence], [step], title=title), {}
    if not report:
        sentence = say("The job has no report: the night ended before it began.")
        return row(name, NOT_FINISHED, [sentence], [say(GO_ON)], title=title), {}
    return row(name, **old), report


def refused(name: str, sentences: Sequence[str]) -> dict[str, Any]:
    """The row of a job whose job sheet was refused."""
    return row(name, REFUSED, list(map(stage_sentence, sentences)), next_step.of_job(True, sentences, []))


def row(
    name: str,
    state: str,
    sentences: Sequence[str],
    next_steps: Sequence[str],
    *,
    title: str | None = None,
    **known: Any,
) -> dict[str, Any]:
    """A row with every key; texts of people and of files can't hold what steers a terminal or a page."""
    values = {
        "job": name,
        "state": state,
        "title": title or name,
        "sentences": list(sentences),
        "next_steps": list(next_steps),
        **NONE,
        **known,
    }
    return visible(values)


def visible(value: Any) -> Any:
    """Plain data with :func:`printable` applied to every text in it."""
    if isinstance(value, str):
        return printable(value)
    if isinstance(value, Mapping):
        return {key: visible(part) for key, part in value.items()}
    return [visible(part) for part in value] if isinstance(value, list | tuple) else value


def report_of(name: str) -> str:
    """Path of a job's report, relative to the day."""
    return f"results/{name}/report/{name}.json"


def _read(path: Path) -> tuple[dict[str, Any] | None, str | None]:
    """The result of a report, and what is wrong with it; both None where there is none."""
    if not path.is_file():
        return None, None
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
        if record["status"] != "ok":
            sentences = [reason["sentence"] for reason in record["reasons"]]
            return {"state": REFUSED, "reasons": sentences}, None
        result = record["result"]
        _shown("", result)
        if result["thumbnail"]:
            (path.with_suffix("") / result["thumbnail"]).read_bytes()
        return result, None
    except Exception as error:  # a damaged report, of whatever kind
        traceback.print_exc()
        return None, f"{type(error).__name__}: {error}"


def _shown(name: str, result: Mapping[str, Any]) -> dict[str, Any]:
    """What the row of a finished job takes from its report."""
    if "page" not in result:  # the report itself was rejected
        reasons = result["reasons"]
        steps = next_step.of_job(True, reasons, [])
        return {"state": REFUSED, "sentences": list(map(stage_sentence, reasons)), "next_steps": steps}
    keys = ("state", "next_steps", "title", "vehicle_class", "points", "sizes", "evidence", "joined", "thumbnail")
    reasons = [stage_sentence(reason["sentence"]) for reason in result["reasons"]]
    return {
        **{key: result[key] for key in keys},
        "sentences": reasons + result["warnings"],
        **{key: f"results/{name}/report/{name}/{result[key]}" for key in ("page", "customer_page")},
    }


def _page_of(old: Mapping[str, Any]) -> dict[str, Any]:
    """Of an older report only the way to its page and what names the vehicle: its numbers may no longer hold."""
    return {key: old[key] for key in ("title", "vehicle_class", "page") if key in old}


def _older(old: Mapping[str, Any]) -> list[str]:
    return [say("The page is that of the run before.")] if old.get("page") else []


def _overtaken(path: Path, last: datetime | None) -> bool:
    """Whether the report was written after the last event of a night: plain Snakemake writes no events."""
    try:
        return last is not None and os.stat(path).st_mtime > last.timestamp() + 1.0  # events have whole seconds
    except OSError:
        return False


def _failed(day: Path, failed: Sequence[Attempt]) -> tuple[list[str], list[str]]:
    """Sentences and next steps of a job with stages that failed."""
    said = [failed_steps.sentence_and_step(day, _words(attempt), attempt.logs) for attempt in failed]
    steps = [step for _, step in said]
    again = say("Then run the same command; if it fails again, report it with this log.")
    return [sentence for sentence, _ in said], list(dict.fromkeys([*steps, again]))


def _logs(attempts: Sequence[Attempt]) -> list[str]:
    return [log for attempt in attempts for log in attempt.logs]


def _in_work(begun: Sequence[Attempt]) -> str:
    now = [_words(attempt) for attempt in begun if attempt.state == "running"]
    done = sum(attempt.state == "done" for attempt in begun)
    if not begun:
        return say("Waiting for its turn.")
    if not now:
        return plural(
            done,
            "{count} step is done; waiting for the next.",
            "{count} steps are done; waiting for the next.",
        )
    return plural(
        done, "{count} step is done; now: {steps}.", "{count} steps are done; now: {steps}.", steps=listing(now)
    )


def _words(attempt: Attempt) -> str:
    """A step in words, as "stage fuse of exterior"."""
    stage, unit = attempt.step.stage, stage_costs.unit_in_words(attempt.step.unit)
    return say("stage {stage} of {unit}", stage=stage, unit=unit) if unit else say("stage {stage}", stage=stage)
