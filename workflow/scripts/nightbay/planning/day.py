"""Plans a day: which jobs there are, and which are refused and why."""

import difflib
import os
import traceback
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from nightbay.core.errors import Rejected
from nightbay.core.printable import printable, shortened
from nightbay.pipeline.stages import STAGES
from nightbay.planning import job_sheet, parameters
from nightbay.planning.job import Job
from nightbay.planning.names import NAME, NAME_RULE
from nightbay.planning.raw_files import Hashes

MADE = ("results", "logs", "benchmarks")  # folders that a night run makes in the day, and fills by job and stage
RESERVED = (*MADE, "board")
# Files in the working folder, which is the day, that Snakemake would run or that Numba or Matplotlib would read as
# settings. They were found by listing every file that a night opens.
STEERING = (".snakemake/pip-deployments", ".numba_config.yaml", "matplotlibrc")


@dataclass(frozen=True)
class Plan:
    """A day's jobs: accepted ones, refused ones with their reasons, and sentences on what was skipped.

    ``tracebacks``: unexpected exceptions as text for the night's log. ``language``: code of the day's, by the defaults;
    ``history``: their artefact.history.
    """

    jobs: dict[str, Job]
    refused: dict[str, list[str]]
    notes: list[str]
    tracebacks: list[str]
    language: str
    history: str | None = None

    def language_of(self, job: str) -> str:
        """Code of the language of a job's pages; the day's where the job was refused."""
        return self.jobs[job].settings("report")["report"]["language"] if job in self.jobs else self.language


def plan(
    day: str | os.PathLike[str],
    defaults: dict[str, Any],
    only: list[str] | None = None,
    classes: Path = parameters.CLASSES,
) -> Plan:
    """Plan the jobs of folder ``day``.

    ``defaults``: the content of config/config.yaml, as the user may have changed it. ``only``: names of the jobs to
    plan, all of them without it. A fault of one job refuses only that job; faults in
    ``defaults``, in ``only`` or in the day folder itself stop the whole plan with :class:`Rejected`.
    """
    day = Path(day)
    faults = parameters.section_faults(defaults, "config/config.yaml", partial=False)
    faults += [
        f"config/config.yaml lacks the section '{section}'."
        for section in parameters.SECTIONS
        if section not in defaults
    ]
    if faults:
        raise Rejected(" ".join(faults))
    folders, notes = _folders(day)
    if only is not None:
        _check_only(only, folders)
        folders = [name for name in folders if name in only]
    hashes, known = Hashes(day), parameters.classes(classes)
    jobs: dict[str, Job] = {}
    refused: dict[str, list[str]] = {}
    tracebacks = []
    for name in folders:
        try:
            job = _job(day, name, defaults, classes, known, hashes)
            job.rehearse()
            jobs[name] = job
        except Exception as error:
            sentences, unexpected = _why_refused(day, name, error)
            refused.setdefault(printable(name), []).extend(shortened(printable(text)) for text in sentences)
            if unexpected:
                tracebacks.append("".join(traceback.format_exception(error)))
    return Plan(
        jobs,
        refused,
        [printable(note) for note in notes],
        tracebacks,
        defaults["report"]["language"],
        defaults["artefact"]["history"],
    )


def _why_refused(day: Path, name: str, error: Exception) -> tuple[list[str], bool]:
    """Why a job can't be planned, in sentences, and whether that is a fault of the program."""
    match error:
        case job_sheet.Faults():
            return error.sentences, False
        case Rejected():
            return [str(error)], False
        case RecursionError():
            return [f"{name}/job.yaml is nested too deep: write it as the example in config/README.md shows."], False
        case OSError(filename=str(path), strerror=str(why)):
            file = Path(path)
            file = file.relative_to(day) if file.is_relative_to(day) else file
            return [f"{file} can't be read ({why}): correct its permissions or copy the job again."], False
    cause = f"{type(error).__name__}: {error}".removesuffix(": ")
    return [
        f"{name} can't be planned because of a fault in Nightbay ({cause}): report it with the log in logs/night; "
        "other jobs are not affected."
    ], True


def _folders(day: Path) -> tuple[list[str], list[str]]:
    """Names of the folders that are jobs, sorted, and sentences on those that are not."""
    folders, notes = [], []
    try:
        entries = sorted(day.iterdir())
    except OSError as error:
        raise Rejected(f"The day folder {day} can't be read ({error.strerror}): correct its permissions.") from error
    _check_writable(day, (*MADE, ".nightbay", ".snakemake"))
    for steering in STEERING:
        if os.path.lexists(day / steering):
            raise Rejected(
                f"{day / steering} would be run or read as settings during the night and does not belong in a day: "
                "remove it."
            )
    for entry in entries:
        if entry.name.startswith(".") or entry.name in MADE or not os.path.isdir(entry):
            continue
        try:
            names = os.listdir(entry)
        except OSError as error:
            if NAME.fullmatch(entry.name):
                folders.append(entry.name)  # may be a job, so the day board has to show its fault
            else:
                notes.append(f"The folder {entry.name} can't be read ({error.strerror}) and is skipped.")
            continue
        if "job.yaml" in names:
            folders.append(entry.name)
        else:
            other = next((file for file in ("job.yml", "Job.yaml", "job.yaml.txt") if file in names), None)
            hint = f"rename {other} to job.yaml" if other else "write one if it is a job"
            notes.append(f"The folder {entry.name} holds no job.yaml and is skipped: {hint}.")
    return folders, notes


def _check_only(only: list[str], folders: list[str]) -> None:
    for name in only:
        if name in folders:
            continue
        if not NAME.fullmatch(name):
            raise Rejected(f"{name!r} can't be the name of a job: {NAME_RULE}.")
        near = difflib.get_close_matches(name, folders, n=1)
        hint = f"did you mean '{near[0]}'?" if near else f"there are {', '.join(folders) or 'none'}"
        raise Rejected(printable(f"The day has no job '{name}' ({hint})."))


def _job(day: Path, name: str, defaults: dict[str, Any], classes: Path, known: list[str], hashes: Hashes) -> Job:
    if name in RESERVED:
        raise Rejected(f"A job can't be called '{name}', because a night run uses that name itself: rename the folder.")
    sheet = job_sheet.read(day, name, known)
    named = sheet.document.get("vehicle_class")
    preset = parameters.preset(named, classes) if named else parameters.NO_CLASS
    interior = parameters.preset(parameters.INTERIOR, classes) if parameters.INTERIOR in sheet.parts else None
    own = sheet.document.get("parameters", {})
    resolved: dict[str | None, dict[str, dict[str, Any]]] = {None: parameters.resolve(defaults, [*preset.layers, own])}
    for part in sheet.parts.values():
        over = interior.layers if interior and part.name == parameters.INTERIOR else []
        resolved[part.name] = parameters.resolve(defaults, [*preset.layers, *over, own, part.parameters])
    _check_listed_twice(sheet, hashes)
    for made in MADE:
        _check_writable(day, (f"{made}/{name}", *(f"{made}/{name}/{stage}" for stage in STAGES)))
    return Job(
        name,
        preset.name,
        preset.extent_mm,
        sheet.parts,
        sheet.document,
        resolved,
        [printable(note) for note in sheet.notes],
        hashes,
    )


def _check_writable(day: Path, folders: Iterable[str]) -> None:
    """Refuse folders that can't be written to: Snakemake makes them before a step, and would end the whole night."""
    for folder in folders:
        path = day / folder
        if os.path.lexists(path) and not (os.path.isdir(path) and os.access(path, os.W_OK | os.X_OK)):
            raise Rejected(
                f"{folder} is not a folder that can be written to, and a night run keeps its results there: move it "
                "away or correct its permissions."
            )


def _check_listed_twice(sheet: job_sheet.JobSheet, hashes: Hashes) -> None:
    """Refuse two exports with the same content: one export is listed twice. Only files of equal size are read."""
    clouds = [segment.cloud.file for part in sheet.parts.values() for segment in part.segments.values()]
    by_size: dict[int, list[str]] = {}
    for file in clouds:
        by_size.setdefault(hashes.size(file), []).append(file)
    first: dict[str, str] = {}
    for file in (file for size, files in by_size.items() if size and len(files) > 1 for file in files):
        content = hashes.of(file)["sha256"]
        if content is not None and first.setdefault(content, file) != file:
            raise Rejected(
                f"{first[content]} and {file} have the same content, so one export is listed twice: remove one or "
                "export the right one."
            )
