"""Runs one stage of one job in this terminal, on what the night left, and leaves its result beside the night's.

Usage: python -m nightbay.planning.single_stage DAY STAGE JOB PLACE OUT THREADS PROFILE
Called by ``workflow/stage.sh``, which describes the arguments; an empty one means "not given".
"""

import cProfile
import difflib
import json
import os
import runpy
import sys
from collections.abc import Mapping
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from nightbay.core.errors import Rejected
from nightbay.core.paths import SCRIPTS
from nightbay.core.printable import printable
from nightbay.pipeline import stages
from nightbay.pipeline.stages import STAGES
from nightbay.planning import day as day_plan
from nightbay.planning import parameters, yaml_file
from nightbay.planning.job import Job

OUT = ".nightbay/stage"  # folder of the day for results


@dataclass(frozen=True)
class Call:
    """What Snakemake would hand the script of a stage; ``pipeline.stage.run`` reads these and no others."""

    rule: str
    wildcards: dict[str, str]
    input: dict[str, Any]
    output: SimpleNamespace
    params: dict[str, Any]
    threads: int
    log: tuple[str, ...] = ()  # no log: the stage prints to the terminal


def call(day: Path, stage: str, job: str, place: str, out: Path, threads: int) -> Call:
    """The call of a stage of one job. ``place``: "exterior.left", "exterior" or "", as the stage works on.

    Raises :class:`Rejected` with one sentence for a name that is unknown, a job that the plan refuses, and a stage
    before it that the night did not finish.
    """
    if stage not in STAGES:
        raise Rejected(_unknown("stage", stage, list(STAGES)))
    planned = _job(day, job)
    if not STAGES[stage].runs_for(planned.parts):
        needed = (" and an " if STAGES[stage].all_of else " or an ").join(STAGES[stage].of)
        raise Rejected(f"{stage} runs for a job with an {needed}; {job} has only the {', '.join(planned.parts)}.")
    wildcards = {"job": job, **_wildcards(stage, planned, place)}
    inputs = {upstream: _inputs(day, stage, upstream, wildcards, planned) for upstream in STAGES[stage].upstream}
    folder = out / Path(stages.place(stage, wildcards)).relative_to("results")
    part = wildcards.get("part")
    return Call(
        rule=stage,
        wildcards=wildcards,
        input=inputs,
        output=SimpleNamespace(json=f"{folder}.json", data=str(folder)),
        params={"settings": planned.settings(stage, part), "sheet": planned.sheet(stage, **wildcards)},
        threads=threads,
    )


def _unknown(kind: str, name: str, known: list[str]) -> str:
    near = difflib.get_close_matches(name, known, n=1)
    hint = f"did you mean '{near[0]}'?" if near else f"there are {', '.join(known)}"
    return printable(f"There is no {kind} '{name}' ({hint}).")


def _job(day: Path, name: str) -> Job:
    defaults = yaml_file.read(parameters.CLASSES.parent / "config.yaml", "config/config.yaml")
    plan = day_plan.plan(day, defaults, [name])
    if name not in plan.jobs:
        raise Rejected(f"{name} is refused: {' '.join(plan.refused[name])}")
    return plan.jobs[name]


def _wildcards(stage: str, job: Job, place: str) -> dict[str, str]:
    """Part and segment that a stage works on, from ``place``."""
    segments = {part: names for part, names in job.segments().items() if part in STAGES[stage].of}
    unit = STAGES[stage].unit
    part, _, segment = place.partition(".")
    if unit == "job" and place:
        raise Rejected(f"{stage} works on a whole job: leave '{printable(place)}' out.")
    if unit == "job":
        return {}
    if not part or (unit == "segment" and not segment):
        raise Rejected(f"{stage} works on a {unit}: name it as {_form(unit)} ({job.name} has {_all(unit, segments)}).")
    if unit == "part" and segment:
        raise Rejected(f"{stage} works on a whole part: leave '.{printable(segment)}' out.")
    if part not in segments:
        raise Rejected(_unknown(f"part of {job.name} called", part, list(segments)))
    if unit == "segment" and segment not in segments[part]:
        raise Rejected(_unknown(f"segment of {job.name} {part} called", segment, segments[part]))
    return {"part": part, "segment": segment} if segment else {"part": part}


def _form(unit: str) -> str:
    return "PART.SEGMENT" if unit == "segment" else "PART"


def _all(unit: str, segments: Mapping[str, list[str]]) -> str:
    """The names of all parts or segments of a job, as a place is written."""
    names = [f"{part}.{name}" for part in segments for name in segments[part]] if unit == "segment" else list(segments)
    return ", ".join(names)


def _inputs(day: Path, stage: str, upstream: str, wildcards: dict[str, str], job: Job) -> str | list[str]:
    """The JSON files that a stage reads of another one. Raises :class:`Rejected` where one is missing."""
    places = stages.inputs(stage, upstream, wildcards, job.segments())
    for place in [places] if isinstance(places, str) else places:
        for path, what in ((day / f"{place}.json", "result"), (day / place, "data folder")):
            if not path.exists():
                raise Rejected(
                    f"{stage} reads the {what} {path.relative_to(day)}, which the night has not finished: run "
                    f"workflow/night.sh with --jobs {job.name} first."
                )
    return f"{places}.json" if isinstance(places, str) else [f"{place}.json" for place in places]


def compare(day: Path, made: Call) -> str:
    """A sentence on how the result that was made differs from the night's."""
    place = stages.place(made.rule, made.wildcards)
    night = day / f"{place}.json"
    if not night.is_file():
        return f"The night has no {place}.json to compare with."
    old = json.loads(night.read_text(encoding="utf-8"))
    new = json.loads(Path(made.output.json).read_text(encoding="utf-8"))
    differing = [key for key in new if new[key] != old.get(key)]
    if not differing:
        return f"It is the same as the night's {place}.json, data files included."
    return f"It differs from the night's {place}.json in {', '.join(differing)}."


def main(arguments: list[str]) -> None:
    """Entry of ``python -m nightbay.planning.single_stage``."""
    day, stage, job, place, out, threads, profile = arguments
    folder = Path(day)
    os.chdir(folder)  # raw files and results have paths relative to the day, as in the night
    try:
        made = call(folder, stage, job, place, Path(out) if out else folder / OUT, int(threads))
    except Rejected as rejection:
        print(printable(str(rejection)), file=sys.stderr)
        sys.exit(2)
    profiler = cProfile.Profile() if profile else None
    try:
        with profiler or nullcontext():
            runpy.run_path(str(SCRIPTS / f"{stage}.py"), init_globals={"snakemake": made})
    finally:
        if profiler:
            profiler.dump_stats(profile)
            print(f"Profile: {profile}")
    print(f"Result: {made.output.json}\n{compare(folder, made)}")


if __name__ == "__main__":
    main(sys.argv[1:])
