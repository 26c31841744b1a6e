"""What the day board takes from the plan of a day."""

from collections.abc import Iterable
from datetime import date
from pathlib import Path
from typing import Any

from nightbay.planning.day import Plan
from nightbay.planning.job import Job


def board_plan(plan: Plan, day: Path) -> dict[str, Any]:
    """Plain data for the board: {"jobs": names, "titles" of those that have one, "refused", "notes", "scanned":
    {"days": ISO 8601, "by": their source}, "language": code, "history": artefact.history}.

    The day of a scan is what its job sheet states, else the day on which its newest raw file was last changed.
    """
    stated = {name: job.document.get("identity", {}).get("scanned_on") for name, job in plan.jobs.items()}
    days = {stated[name] or _newest(job, day) for name, job in plan.jobs.items()}
    return {
        "jobs": sorted(plan.jobs),
        "titles": {name: job.document["title"] for name, job in sorted(plan.jobs.items()) if "title" in job.document},
        "refused": plan.refused,
        "notes": plan.notes,
        "language": plan.language,
        "history": plan.history,
        "scanned": {
            "days": sorted(filter(None, days)),
            "by": "job sheets" if all(stated.values()) else "newest raw files",
        },
    }


def _newest(job: Job, day: Path) -> str | None:
    """Day of the last change of a job's newest raw file, in the time zone of the machine; None where none is there."""
    times = [time for file in _raw_files(job) if (time := _changed(day / file)) is not None]
    return date.fromtimestamp(max(times)).isoformat() if times else None


def _raw_files(job: Job) -> Iterable[str]:
    return (raw.cloud.file for part in job.parts.values() for raw in part.segments.values())


def _changed(path: Path) -> float | None:
    try:
        return path.stat().st_mtime
    except OSError:
        return None
