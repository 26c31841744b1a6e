"""The stages of one job, one after another in this process: the night's functions without Snakemake."""

import importlib
from collections.abc import Sequence
from contextlib import chdir
from pathlib import Path
from typing import Any

from nightbay.pipeline import stage
from nightbay.pipeline.stages import STAGES, inputs, place
from nightbay.planning import day as day_plan
from nightbay.planning import parameters, yaml_file


def run(day: Path, job: str, leave_out: Sequence[str] = ()) -> dict[str, dict[str, Any]]:
    """Run all stages of a job of a day but those to ``leave_out``; their records {place of the result: record}.

    The settings are those of the night, the results lie where the night leaves them. Raises SystemExit with the reasons
    where the job is refused.
    """
    day = day.resolve()
    with chdir(day):  # a job's lists of targets have paths relative to the day
        return _run(day, job, leave_out)


def _run(day, name, leave_out):
    defaults = yaml_file.read(parameters.CLASSES.parent / "config.yaml", "config/config.yaml")
    plan = day_plan.plan(day, defaults, [name])
    if name in plan.refused:
        raise SystemExit(" ".join(plan.refused[name]))
    job = plan.jobs[name]
    records = {}
    for step in STAGES.values():
        if step.name in leave_out or not step.runs_for(job.parts):
            continue
        for wildcards in _wildcards(step.unit, name, job.segments()):
            where = place(step.name, wildcards)
            folder = day / where
            folder.parent.mkdir(parents=True, exist_ok=True)
            given = {key: value for key, value in wildcards.items() if key != "job"}
            records[where] = stage.execute(
                getattr(importlib.import_module(f"nightbay.{step.name}.{step.name}"), step.name),
                stage=step.name,
                wildcards=wildcards,
                upstream=_upstream(step, wildcards, job.segments(), day),
                sheet=job.sheet(step.name, **given),
                settings=job.settings(step.name, given.get("part")),
                folder=folder,
                threads=1,
                accepts_rejected=step.name == "report",
            )
            stage.write_json(folder.with_name(folder.name + ".json"), records[where])
    return records


def _wildcards(unit, job, segments):
    """What a stage runs for: each segment, each part, or the job."""
    if unit == "job":
        return [{"job": job}]
    parts = [{"job": job, "part": part} for part in segments]
    if unit == "part":
        return parts
    return [{**each, "segment": segment} for each in parts for segment in segments[each["part"]]]


def _upstream(step, wildcards, segments, day):
    """The results that a stage reads, as :mod:`nightbay.pipeline.stage` loads them."""
    found = {}
    for name in step.upstream:
        where = inputs(step.name, name, wildcards, segments)
        if isinstance(where, list):
            found[name] = [stage.load(day / f"{each}.json") for each in where]
        else:
            found[name] = stage.load(day / f"{where}.json")
    return found
