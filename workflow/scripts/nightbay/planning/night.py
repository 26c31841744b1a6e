"""What the night run needs beside Snakemake: which targets to ask for, and what to show on the terminal.

Usage: python -m nightbay.planning.night targets DAY [JOBS] | plan | progress | table DAY
    targets     plan the day and print the reports to ask for, one a line; say which jobs are refused
    plan        say what a dry run would do, reading Snakemake's output from standard input
    progress    show each step that ends, reading Snakemake's output from standard input
    table       the table at the end, from the day board
"""

import json
import re
import sys
from dataclasses import dataclass
from pathlib import Path

from nightbay.core.errors import Rejected
from nightbay.core.text_format import printable
from nightbay.planning import day as day_plan
from nightbay.planning import parameters, yaml_file

RULE = re.compile(r"^(?:local)?rule (?P<rule>\w+):$")
FIELD = re.compile(r"^    (?P<key>\w+): (?P<value>.*)$")
DONE = re.compile(r"^Finished jobid: (?P<id>\d+) ")
STEPS = re.compile(r"^(?P<done>\d+) of (?P<total>\d+) steps")
WIDEST = 60  # letters of a column of the table
ERROR = re.compile(r"^Error in rule (?P<rule>\w+):$")


@dataclass
class Step:
    """One job of Snakemake: a stage over a segment, a part or a vehicle."""

    stage: str
    subject: str  # "van exterior left"
    reason: str
    number: str


def steps(lines):
    """Yield a :class:`Step` for each job that Snakemake's output announces; rules that only collect are left out."""
    fields = {}
    for line in [*lines, "end"]:
        field = FIELD.match(line)
        if field and "rule" in fields:
            fields[field["key"]] = field["value"]
            continue
        if fields.get("wildcards"):
            yield _step(fields)
        rule = RULE.match(line)
        fields = {"rule": rule["rule"]} if rule else {}


def _step(fields):
    wildcards = dict(pair.split("=", 1) for pair in fields["wildcards"].split(", "))
    subject = " ".join(wildcards[key] for key in ("job", "part", "segment") if key in wildcards)
    return Step(fields["rule"], subject, fields.get("reason", ""), fields.get("jobid", ""))


def targets(day, only=None):
    """The reports to ask Snakemake for, and a line on each job that is refused. Raises :class:`Rejected`."""
    defaults = yaml_file.read(parameters.CLASSES.parent / "config.yaml", "config/config.yaml")
    found = day_plan.plan(day, defaults, only)
    reports = [f"results/{job}/report/{job}.json" for job in found.jobs]
    refused = [f"{job} is refused: {sentence}" for job, sentences in found.refused.items() for sentence in sentences]
    return reports, refused


def plan(lines):
    """The lines of a dry run: each step that would run and why, in the technician's words."""
    lines = [line.rstrip("\n") for line in lines]
    found = list(steps(lines))
    trouble = [line for line in lines if "Error" in line or "Exception" in line]
    if trouble:
        return lines
    if not found:
        return ["Nothing is to do: every result is newer than what it depends on."]
    width = max(len(step.subject) for step in found)
    return [f"{len(found)} steps would run:"] + [
        f"  {step.stage:8}{step.subject:{width}}  {_why(step.reason)}" for step in found
    ]


def _why(reason):
    """Snakemake's reason in one short phrase."""
    if reason.startswith("Missing output"):
        return "not made yet"
    if reason.startswith("Params have changed"):
        return "a parameter, the job sheet, a raw file or the code changed"
    if reason.startswith(("Input files updated", "Updated input")):
        return "follows from a step before it"
    return reason or "asked for"


def progress(lines, write):
    """Follow Snakemake's output and write one line a finished or failed step."""
    running, block = {}, []
    for line in lines:
        line = line.rstrip("\n")
        if RULE.match(line):
            block = [line]
        elif block and FIELD.match(line):
            block.append(line)
        else:
            for step in steps(block):
                running[step.number] = step
            block = []
        done, counted, failed = DONE.match(line), STEPS.match(line), ERROR.match(line)
        if done:
            last = running.pop(done["id"], None)
        elif counted and last:
            write(f"{counted['done']:>4} of {counted['total']}  {last.stage:8}{last.subject}")
        elif failed:
            write(f"      failed  {failed['rule']}: see the logs folder of the day")
        elif line.startswith("Nothing to be done"):
            write("Nothing is to do: every result is newer than what it depends on.")


def table(day):
    """The lines of the table at the end: job, status, points, figures, where the page is."""
    path = Path(day) / "results/board/board.json"
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        return [f"{path} can't be read ({error}): remove the folder {path.parent} and run the night again."]
    rows = [("job", "status", "points", "figures", "report")]
    sentences = []
    for job in record["result"]["jobs"]:
        points = f"{job['points']:,}" if job.get("points") else "-"
        rows.append((job["job"], job["state"], points, job.get("figures") or "-", job.get("page") or "-"))
        sentences += [f"{job['job']}: {sentence}" for sentence in job.get("sentences", [])]
    # A name as long as a name may be does not push the columns of all rows out of sight.
    widths = [min(WIDEST, max(len(row[at]) for row in rows)) for at in range(len(rows[0]))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
    return [*lines, *sentences, f"Day board: {Path(day) / 'results/board/board/index.html'}"]


def show(lines, file=None):
    """Print lines; what one of them holds can't steer the terminal."""
    for line in lines:
        print(printable(line), file=file, flush=True)


def main(arguments):
    """Entry of ``python -m nightbay.planning.night``."""
    match arguments:
        case ["targets", day, *jobs]:
            try:
                reports, refused = targets(day, [name for one in jobs for name in one.split(",") if name] or None)
            except Rejected as rejection:
                show([str(rejection)], sys.stderr)
                sys.exit(2)
            show(refused, sys.stderr)
            show(reports)
        case ["plan"]:
            show(plan(sys.stdin))
        case ["progress"]:
            progress(sys.stdin, lambda line: show([line]))
        case ["table", day]:
            show(table(day))
        case _:
            sys.exit(__doc__)


if __name__ == "__main__":
    main(sys.argv[1:])
