"""What calibrated artefacts showed of the shop's scanners, day by day: a file of JSON lines beside the days.

A row holds one quantity of one artefact as one job of one day measured it, as
workflow/schemas/artefact_history.schema.json describes it. The night writes the file after its jobs, under a lock, and
replaces the rows of its own day: a rerun leaves them as they are. No stage reads it, so results and pages of jobs are
the same with any history; only the day board shows it.
"""

import fcntl
import json
import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import jsonschema

from nightbay.core import plain_file
from nightbay.core.paths import SCHEMAS
from nightbay.pipeline import stage

NAME = "scanner-history.jsonl"  # beside the day folders, unless artefact.history names another file
MOST_BYTES = 100_000_000  # some 300 000 rows
Row = dict[str, Any]


def place(day: Path, setting: str | None) -> Path:
    """The file of a ``day``; ``setting``: artefact.history, relative to the folder that holds the day."""
    return day.parent / (setting or NAME)


def key_of(day: Path, file: Path) -> str:
    """What the rows of a day bear: its path as seen from the file's folder, which two days of one name do not share."""
    return Path(os.path.relpath(day, file.parent)).as_posix()


def rows_of(day: Path, file: Path, reports: Mapping[str, Mapping[str, Any]]) -> list[Row]:
    """The rows of a day from the ``reports`` of its jobs, in the order of their names."""
    made = []
    for job, report in sorted(reports.items()):
        artefact, scanner = report.get("artefact"), report.get("scanner", {})
        for quantity in artefact["quantities"] if artefact else []:
            known = {"day": key_of(day, file), "job": job, **scanner, **quantity}
            made.append(dict(sorted(known.items())))
    return made


def read(file: Path) -> tuple[list[Row], int]:
    """The rows of a file, none where there is none, and the number of lines that are no rows."""
    rows, damaged = [], 0
    for line in _lines(file):
        found = _row(line)
        if found is None:
            damaged += 1
        else:
            rows.append(found)
    return rows, damaged


def update(day: Path, file: Path, rows: Sequence[Row]) -> bool:
    """Put the ``rows`` of a day in the place of those that the file had of it; whether anything changed.

    Rows of other days, and lines that are no rows, stay as they are. Raises ``jsonschema.ValidationError`` for a row
    that does not fit, OSError where the file can't be written.
    """
    for row in rows:
        jsonschema.validate(row, _schema())
    if not rows and not file.exists():
        return False  # a shop without artefacts finds no new file beside its days
    with _locked(file):
        old = _lines(file)
        kept = [line for line in old if (other := _row(line)) is None or other["day"] != key_of(day, file)]
        new = kept + [json.dumps(row, sort_keys=True, ensure_ascii=False, allow_nan=False) for row in rows]
        if new == old:
            return False
        stage.write_text(file, "".join(f"{line}\n" for line in new))
    return True


@contextmanager
def _locked(file: Path) -> Iterator[None]:
    """Nights on two days of one folder wait for each other."""
    with open(file.with_name(file.name + ".lock"), "a", encoding="utf-8") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def _lines(file: Path) -> list[str]:
    try:
        return [line for line in plain_file.read(file, MOST_BYTES).decode("utf-8").splitlines() if line.strip()]
    except FileNotFoundError:
        return []


def _row(line: str) -> Row | None:
    try:
        row = json.loads(line)
        jsonschema.validate(row, _schema())
    except (ValueError, jsonschema.ValidationError):
        return None
    return row


def _schema() -> dict[str, Any]:
    return json.loads((SCHEMAS / "artefact_history.schema.json").read_text(encoding="utf-8"))
