"""Time and peak memory of each stage of a job, from the records that Snakemake leaves in benchmarks/."""

import csv
from pathlib import Path
from typing import Any

from nightbay.core.language import say
from nightbay.report.part import NAMES


def of_job(folder: Path, stages: tuple[str, ...]) -> list[dict[str, Any]]:
    """A row a step, in the order of the ``stages``: {"stage", "unit", "seconds", "memory_mb"}, None where unknown.

    ``folder``: benchmarks/<job> of the day. "unit" is what the stage worked on, as "exterior left".
    """
    return [
        {"stage": stage, "unit": _unit(path, folder), **_costs(path)}
        for stage in stages
        for path in sorted((folder / stage).glob("*.tsv"))
    ]


def unit_in_words(unit: str) -> str:
    """What a stage worked on, in the language in use: a part and the name of a segment, or nothing."""
    part, *segment = unit.split(" ")
    return " ".join([say(NAMES[part]) if part in NAMES else part, *segment])


def _unit(path: Path, folder: Path) -> str:
    return "" if path.stem == folder.name else path.stem.replace(".", " ")


def _costs(path: Path) -> dict[str, float | None]:
    try:
        with open(path, encoding="utf-8", newline="") as file:
            row = next(csv.DictReader(file, delimiter="\t"), {})
    except (OSError, UnicodeDecodeError, csv.Error):
        row = {}
    return {"seconds": _number(row.get("s")), "memory_mb": _number(row.get("max_rss"))}


def _number(text: str | None) -> float | None:
    """A number of Snakemake, which writes NA or - for what was too short to be measured."""
    try:
        value = float(text or "")
    except ValueError:
        return None
    return value if 0 <= value < float("inf") else None
