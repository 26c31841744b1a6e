"""What a day takes on disk, and what can go: the intermediate data of jobs that are done."""

import json
import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from nightbay.core import plain_file
from nightbay.core.hashing import sha256
from nightbay.pipeline.stages import STAGES
from nightbay.report.job_summary import COMPLETE, WARNED

# What is handed over or looked at; the numbers of every stage, its JSON, stay too.
KEPT = ("deliver", "join", "artefact", "report")
LEAVING = ".nightbay/leaving"  # folder of the day: what is being removed is moved there first
SUMS = "SHA256SUMS"
MOST_BYTES = 50_000_000  # of a report or a list of sums: some megabytes in the largest


@dataclass(frozen=True)
class JobSpace:
    """What a job takes on disk, in bytes: its ``raw`` files, results that are ``kept``, and ``intermediate`` data.

    ``freeable``: the data folders that can go; ``why_not``: why none can, in words, empty where they can.
    """

    job: str
    raw: int
    kept: int
    intermediate: int
    freeable: list[Path]
    why_not: str


def of_day(day: Path) -> list[JobSpace]:
    """A :class:`JobSpace` for each job of a ``day`` that has results or raw files, by name."""
    return [_of_job(day, name) for name in _names(day)]


def used(folder: Path) -> int:
    """Bytes of a file, or of a folder with all it holds; links are not followed, and a file with several names counts
    once."""
    seen: dict[tuple[int, int], int] = {}
    for path in _entries(folder):
        state = path.lstat()
        seen[state.st_dev, state.st_ino] = state.st_blocks * 512
    return sum(seen.values())


def free(day: Path, space: JobSpace) -> str:
    """Remove the data folders of a job that can go; a sentence where that is not possible, else nothing.

    The deliverables are compared with their sums first. A folder leaves its place as a whole before anything of it is
    removed: a stage would take half a folder for a result.
    """
    fault = damaged(day / "results" / space.job)
    if fault:
        return f"{space.job}: {fault}, so its intermediate data stays: run the night on it again."
    try:
        for folder in space.freeable:
            _remove(day, folder)
    except OSError as error:
        return (
            f"{space.job}: {error.filename or space.job} can't be removed ({error.strerror}): see to its permissions."
        )
    return ""


def finish(day: Path) -> None:
    """Remove what an interrupted call has left half removed."""
    shutil.rmtree(day / LEAVING, ignore_errors=True)


def damaged(results: Path) -> str:
    """What is wrong with the deliverables below a job's ``results``, in words; empty where all have their sums."""
    for sums in sorted(results.glob(f"deliver/*/{SUMS}")):
        for line in plain_file.read(sums, MOST_BYTES).decode("utf-8").splitlines():
            wanted, _, name = line.partition("  ")
            path = sums.parent / name
            if not path.is_file():
                return f"the deliverable {path.relative_to(results.parents[1])} is missing"
            if sha256(path) != wanted:
                return f"the deliverable {path.relative_to(results.parents[1])} does not have its sum in {SUMS}"
    return ""


def _names(day: Path) -> list[str]:
    """Jobs of a day: folders with raw files, and those that results bear."""
    raw = {path.parent.name for path in day.glob("*/raw") if path.is_dir() and not path.parent.name.startswith(".")}
    return sorted(raw | {path.parent.name for path in day.glob("results/*/intake")})


def _of_job(day: Path, name: str) -> JobSpace:
    results = day / "results" / name
    intermediate = sorted(folder for stage in STAGES if stage not in KEPT for folder in _folders(results / stage))
    size = sum(used(folder) for folder in intermediate)
    why_not = _why_not(day, name, intermediate)
    kept = used(results) - size
    return JobSpace(name, used(day / name / "raw"), kept, size, [] if why_not else intermediate, why_not)


def _why_not(day: Path, name: str, intermediate: list[Path]) -> str:
    """Why the intermediate data of a job stays, in words; empty where it can go."""
    results = day / "results" / name
    if not intermediate:
        return "there is no intermediate data"
    if any(plain_file.leads_out(folder, day) for folder in intermediate):
        return "it lies outside the day, behind a link"
    try:
        report = json.loads(plain_file.read(results / f"report/{name}.json", MOST_BYTES))
        state = report["result"]["state"]
    except (OSError, ValueError, KeyError, TypeError):
        return "it is not finished: the next night goes on from its data"
    if state not in (COMPLETE, WARNED):
        return f"it is {state}: its data shows why"
    vehicle = [path.stem for path in results.glob("fill/*.json")]
    if any(not (results / "deliver" / part / SUMS).is_file() for part in vehicle):
        return "its deliverables are not there"
    return ""


def _folders(stage: Path) -> Iterator[Path]:
    """Data folders of a stage's results, each beside its JSON."""
    return (path.with_suffix("") for path in stage.glob("*.json") if path.with_suffix("").is_dir())


def _entries(folder: Path) -> Iterator[Path]:
    for root, names, files in os.walk(folder):
        for name in [*names, *files]:
            yield Path(root) / name


def _remove(day: Path, folder: Path) -> None:
    leaving = day / LEAVING
    leaving.mkdir(parents=True, exist_ok=True)
    moved = leaving / "-".join(folder.relative_to(day).parts)
    if moved.exists():
        shutil.rmtree(moved)
    folder.rename(moved)
    shutil.rmtree(moved)
