"""What the night run shows on the terminal.

Usage: python -m nightbay.planning.night plan | progress DAY | text | table DAY
    plan        say what a dry run would do, reading its events from standard input
    progress    show each step that ends, reading the night's events from standard input
    text        show standard input with escapes for control characters
    table       the table at the end, from the day board

Events are the lines of JSON that workflow/logger writes.
"""

import json
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any, TextIO

from nightbay.core.printable import printable
from nightbay.core.text_format import number, plus_minus
from nightbay.pipeline import attempts
from nightbay.pipeline.night_events import Step, events, step_of

WIDEST = 60  # letters of a column of the table
NOTHING = "Nothing to do: every result is newer than what it depends on."


def steps(lines: Iterable[str]) -> Iterator[Step]:
    """A :class:`Step` for each job that is announced; rules that only collect are left out."""
    for event in events(lines):
        if event["event"] == "job_info" and event["wildcards"]:
            yield step_of(event)


def plan(lines: Iterable[str]) -> list[str]:
    """The lines of a dry run: each step that would run and why, in plain words."""
    found = list(steps(lines))
    if not found:
        return [NOTHING]
    width = max(len(step.subject) for step in found)
    count = "1 step" if len(found) == 1 else f"{len(found)} steps"
    return [f"{count} would run:"] + [f"  {step.stage:9}{step.subject:{width}}  {_why(step.reason)}" for step in found]


def _why(reason: str) -> str:
    """Snakemake's reason in one short phrase."""
    if reason.startswith("Missing output"):
        return "not made yet"
    if reason.startswith("Params have changed"):
        return "a parameter, the job sheet, a raw file or the code changed"
    if reason.startswith(("Input files updated", "Updated input")):
        return "a step before it runs again"
    return reason or "asked for"


def progress(day: Path, lines: Iterable[str], write: Callable[[str], None]) -> None:
    """Follow the events of a ``day``'s night; write a line for each step that finished, failed or is tried again."""
    known: dict[int, Step] = {}
    again: set[int] = set()
    named: set[int] = set()  # a step that failed begins once more, and fails at once where that can't help
    ended: list[Step] = []  # of a group of steps in one cluster job more than one
    for event in events(lines):
        match event:
            case {"event": "job_info", "jobid": number, "wildcards": wildcards}:
                if wildcards:
                    known[number] = step_of(event)
            case {"event": "job_finished", "job_id": number}:
                ended += [known[number]] if number in known else []
            case {"event": "progress", "done": done, "total": total}:
                for number, step in enumerate(ended, done - len(ended) + 1):
                    write(f"{number:>4} of {total}  {step.stage:9}{step.subject}")
                ended = []
            case {"event": "job_error", "jobid": number, "log": logs}:
                failed = known.get(number)
                if failed and number not in again and _had_too_little_memory(day, logs):
                    again.add(number)
                    write(f"      again   {failed.stage:9}{failed.subject}: it needs more memory than planned")
                elif failed and number not in named:
                    named.add(number)
                    write(f"      failed  {failed.stage:9}{failed.subject}: see {', '.join(logs or ['logs/night'])}")
            case {"event": "stopped"}:  # what fails from here on was ended, and did not fail
                known.clear()


def _had_too_little_memory(day: Path, logs: list[str]) -> bool:
    """Whether the last attempt at the step with these logs ended for want of memory: Snakemake makes another."""
    tried = attempts.read(day / logs[-1]) if logs else []
    return bool(tried) and tried[-1].cause == "memory"


def table(day: str | Path) -> list[str]:
    """The lines of the table at the end, in the order and words of the board: a row a job; then of each job its sizes,
    what decided its state, and the next step."""
    path = Path(day) / "results/board/board.json"
    try:
        jobs = json.loads(path.read_text(encoding="utf-8"))["result"]["jobs"]
        rows = [("job", "state", "points", "report"), *map(_row, jobs)]
        lines = [line for job in jobs for line in _lines(job)]
    except (OSError, ValueError, KeyError, TypeError) as error:
        return [f"{path} can't be read ({error}): remove the folder {path.parent} and run the night again."]
    # A limit on the width: one long name would push the other columns out of sight.
    widths = [min(WIDEST, max(len(row[at]) for row in rows)) for at in range(len(rows[0]))]
    shown = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
    return [*shown, *lines, f"Day board: {Path(day) / 'results/board/board/index.html'}"]


def _row(job: Mapping[str, Any]) -> tuple[str, ...]:
    points = number(job["points"]) if job["points"] else "-"
    return job["job"], job["state"], points, job["page"] or "-"


def _lines(job: Mapping[str, Any]) -> list[str]:
    """What the board says of a job, a sentence a line."""
    sizes = [
        f"{size['name']} {plus_minus(size['value_mm'], size['uncertainty_mm'], size['at_least'])}"
        for size in job["sizes"]
    ]
    release = job["release_check"]
    said = [
        *job["sentences"],
        *([f"Release check: {release['state']}. {release['sentence']}"] if release else []),
        *(["; ".join(sizes)] if sizes else []),
        f"Next: {' '.join(job['next_steps'])}",
    ]
    return [f"{job['job']}: {sentence}" for sentence in said]


def show(lines: Iterable[str], file: TextIO | None = None) -> None:
    """Print lines with escapes for control characters, which could steer the terminal."""
    for line in lines:
        print(printable(line), file=file, flush=True)


def main(arguments: list[str]) -> None:
    """Entry of ``python -m nightbay.planning.night``."""
    match arguments:
        case ["plan"]:
            show(plan(sys.stdin))
        case ["progress", day]:
            progress(Path(day), sys.stdin, lambda line: show([line]))
        case ["text"]:
            show(line.rstrip("\n") for line in sys.stdin)
        case ["table", day]:
            show(table(day))
        case _:
            sys.exit(__doc__)


if __name__ == "__main__":
    main(sys.argv[1:])
