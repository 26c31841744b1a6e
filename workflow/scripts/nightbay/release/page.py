"""Writes what a release check leaves in the day: its JSON and its page."""

import json
from collections.abc import Sequence
from pathlib import Path

import jsonschema

from nightbay.core.language import phrase, say
from nightbay.core.paths import SCHEMAS
from nightbay.core.text_format import number, plural
from nightbay.pipeline import stage, typed
from nightbay.release.picture import Picture
from nightbay.release.result import ReleaseResult
from nightbay.report import page as report_page

HEADLINES = {
    "may leave": phrase("The vehicle may leave"),
    "scan again": phrase("Scan again before the vehicle leaves"),
    "not yet": phrase("Not yet: put this right and check again"),
}


def place(job: str) -> str:
    """Path, relative to the day, of the folder of a job's check; its JSON has the same path with ``.json``."""
    return f"results/{job}/release/{job}"


def leave(day: Path, job: str, result: ReleaseResult, pictures: Sequence[Picture]) -> Path:
    """Write the JSON and the page of a job's check into the day, whole or not at all; returns the page."""
    record = typed.write(result)
    jsonschema.validate(record, json.loads((SCHEMAS / "release.schema.json").read_text(encoding="utf-8")))
    folder = day / place(job)
    folder.mkdir(parents=True, exist_ok=True)
    page = folder / "release.html"
    stage.write_text(page, html(job, result, pictures))
    stage.write_json(folder.with_name(f"{job}.json"), {"stage": "release", "job": job, "result": record})
    return page


def html(job: str, result: ReleaseResult, pictures: Sequence[Picture]) -> str:
    """The page of a job's check: one file that needs no other."""
    return report_page.render(
        "release.html.j2",
        job=job,
        result=result,
        pictures=pictures,
        headline=say(HEADLINES[result.verdict]),
        samples=[sample_sentence(result)] if any(part.files for part in result.parts) else [],
    )


def sample_sentence(result: ReleaseResult) -> str:
    """What was looked at, in a sentence."""
    files = [file for part in result.parts for file in part.files]
    read, of, whole = (sum(getattr(file, name) for file in files) for name in ("read", "of", "all_rows"))
    values = {
        "points": plural(read, "{count} point", "{count} points"),
        "all": number(of),
        "files": plural(len(files), "{count} file", "{count} files"),
    }
    if not whole:
        return say("The check looked at {points} of about {all} in {files}.", **values)
    return say(
        "The check looked at {points} of about {all} in {files}; {whole} had to be read as a whole, as their formats "
        "allow no sample.",
        whole=number(whole),
        **values,
    )
