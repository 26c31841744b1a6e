"""The command of the release check.

Usage: python -m nightbay.release.command DAY [--jobs a,b] [--watch]
Called by ``workflow/night.sh DAY --release-check``, which describes the options. The exit code is 0 where every job may
leave, 1 where one is to be scanned again or can't be told yet, 2 for a wrong call.
"""

import argparse
import os
import sys
import time
import traceback
from collections.abc import Mapping, Sequence
from pathlib import Path

from nightbay.core import language
from nightbay.core.errors import Rejected
from nightbay.core.printable import printable
from nightbay.planning import day as day_plan
from nightbay.planning import parameters, yaml_file
from nightbay.planning.day import Plan
from nightbay.release import check, page
from nightbay.release.findings import Findings
from nightbay.release.result import ReleaseResult

WATCH_S = 5.0  # between two looks at the folder
Stamp = Mapping[str, tuple[int, int]]


def main(arguments: Sequence[str] | None = None) -> int:
    """Entry of ``python -m nightbay.release.command``; returns the exit code."""
    parser = argparse.ArgumentParser(description="The release check.")
    parser.add_argument("day", type=Path)
    parser.add_argument("--jobs", default="")
    parser.add_argument("--watch", action="store_true")
    options = parser.parse_args(arguments)
    os.chdir(options.day)  # the lists of targets have paths relative to the day
    only = [name for name in options.jobs.split(",") if name] or None
    try:
        if not options.watch:
            return check_day(Path.cwd(), only)
        return watch(Path.cwd(), only)
    except Rejected as rejection:
        _print(str(rejection), error=True)
        return 2
    except KeyboardInterrupt:
        _print("Ended.")
        return 130


def check_day(day: Path, only: list[str] | None) -> int:
    """Check the jobs of a day and print each verdict; the exit code. Raises :class:`Rejected` for a wrong call."""
    found = _plan(day, only)
    if not found.jobs and not found.refused:
        raise Rejected(f"{day} holds no job: a job is a folder with a job.yaml.")
    verdicts = {name: check_job(day, found, name) for name in sorted([*found.jobs, *found.refused])}
    _print("")
    for name, result in verdicts.items():
        for line in _lines(day, name, result):
            _print(line)
    return 0 if all(result.verdict == "may leave" for result in verdicts.values()) else 1


def check_job(day: Path, found: Plan, name: str) -> ReleaseResult:
    """Check one job, leave its JSON and its page, and return the result. A fault of the program spoils no other."""
    _print(f"{name}:")
    findings = _findings(found, name)
    with language.use(language.of_code(found.language_of(name))):
        page.leave(day, name, findings.in_words(), findings.pictures)
    return findings.in_words()


def _findings(found: Plan, name: str) -> Findings:
    if name in found.refused:
        return check.refused(found.refused[name])
    try:
        return check.job(found.jobs[name], _print)
    except Exception as error:
        traceback.print_exc()
        return check.failed(name, f"{type(error).__name__}: {error}")


def watch(day: Path, only: list[str] | None) -> int:
    """Check each job again when a file of it has changed, until a signal ends it."""
    checked: dict[str, Stamp] = {}
    _print("Watching; end with Ctrl-C.")
    while True:
        for name in only or sorted(path.parent.name for path in day.glob("*/job.yaml")):
            now = _stamp(day / name)
            if checked.get(name) == now:
                continue
            result = check_job(day, _plan(day, [name]), name)
            for line in _lines(day, name, result):
                _print(line)
            # a file that was still being copied is looked at again, even where it stays as it is
            waits = any(action.kind == "copying" for action in result.actions)
            checked[name] = {} if waits else now
        time.sleep(WATCH_S)


def _stamp(folder: Path) -> Stamp:
    """Sizes and times of change of a job's sheet and raw files."""
    found = {}
    for path in (folder / "job.yaml", *sorted((folder / "raw").rglob("*"))):
        try:
            state = path.stat()
        except OSError:
            continue
        found[str(path)] = (state.st_size, state.st_mtime_ns)
    return found


def _plan(day: Path, only: list[str] | None) -> Plan:
    defaults = yaml_file.read(parameters.CLASSES.parent / "config.yaml", "config/config.yaml")
    return day_plan.plan(day, defaults, only)


def _lines(day: Path, name: str, result: ReleaseResult) -> list[str]:
    """The verdict on a job in plain words."""
    lines = [f"{name}: {result.verdict.upper()}"]
    lines += [f"  - {action.sentence}" for action in result.actions]
    if result.open_areas:
        lines.append(f"  {len(result.open_areas)} open, check that these are glazing or other openings:")
        lines += [f"    {sentence}" for sentence in result.open_areas]
    lines += [
        f"  {part.part}: {part.coverage_reason}."
        for part in result.parts
        if part.part == "interior" and part.coverage_reason
    ]
    if any(part.files for part in result.parts):
        lines.append(f"  {page.sample_sentence(result)}")
    return [*lines, f"  page: {day / page.place(name) / 'release.html'}"]


def _print(line: str, error: bool = False) -> None:
    print(printable(line), file=sys.stderr if error else sys.stdout, flush=True)


if __name__ == "__main__":
    sys.exit(main())
