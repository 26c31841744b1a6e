"""Time and peak memory of each stage of a job, from the records of its attempts in logs/."""

from pathlib import Path
from typing import Any

from nightbay.core.language import say
from nightbay.pipeline import attempts
from nightbay.report.part import NAMES


def of_job(folder: Path, stages: tuple[str, ...]) -> list[dict[str, Any]]:
    """A row a step, in the order of the ``stages``: {"stage", "unit", "seconds", "memory_mb"}, None where unknown.

    ``folder``: logs/<job> of the day. "unit" is what the stage worked on, as "exterior left".
    """
    return [
        {"stage": stage, "unit": _unit(path, folder), **_costs(path)}
        for stage in stages
        for path in sorted((folder / stage).glob(f"*{attempts.ENDING}"))
    ]


def unit_in_words(unit: str) -> str:
    """What a stage worked on, in the language in use: a part and the name of a segment, or nothing."""
    part, *segment = unit.split(" ")
    return " ".join([say(NAMES[part]) if part in NAMES else part, *segment])


def _unit(path: Path, folder: Path) -> str:
    unit = path.name.removesuffix(attempts.ENDING)
    return "" if unit == folder.name else unit.replace(".", " ")


def _costs(path: Path) -> dict[str, float | None]:
    """Of the last attempt; None for what was not measured, and for a record that can't be read."""
    tried = attempts.read(path.with_name(path.name.replace(attempts.ENDING, ".log")))
    return {"seconds": tried[-1].seconds if tried else None, "memory_mb": tried[-1].peak_mb if tried else None}
