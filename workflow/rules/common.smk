# The plan of the day, and what the rules take from it. Everything here runs when the Snakefile is parsed, so that each
# rule's params hold just what its stage depends on: a change reruns that stage and what follows from it, no more.
import itertools
import os
import re
import sys
from pathlib import Path

sys.path.insert(0, str(Path(workflow.basedir) / "workflow" / "scripts"))

from nightbay.core.errors import Rejected
from nightbay.pipeline import night_events, provenance, stages
from nightbay.planning import day, needs
from nightbay.planning.board_plan import board_plan
from snakemake.exceptions import WorkflowError
from snakemake.target_jobs import parse_target_jobs_cli_args

# Scripts run from .snakemake/scripts, and Python would import from there what is meant to come from its own library.
os.environ.update(PYTHONSAFEPATH="1")


def jobs_at_hand():
    """Names of the jobs that a node of a cluster works on; None in the night itself, which plans all of the day.

    A node plans anew for each of its jobs: with all of a thousand vehicles that would cost as much as the stages. The
    command line has the targets; Snakemake's own settings of them come after this file.
    """
    if workflow.is_main_process or "--target-jobs" not in sys.argv:
        return None
    targets = itertools.takewhile(
        lambda word: not word.startswith("-"), sys.argv[sys.argv.index("--target-jobs") + 1 :]
    )
    names = {target.wildcards_dict.get("job") for target in parse_target_jobs_cli_args(targets)}
    return None if None in names else sorted(names)


try:
    PLAN = day.plan(Path.cwd(), config, jobs_at_hand())
except Rejected as rejection:
    raise WorkflowError(str(rejection)) from None
sys.stderr.writelines(PLAN.tracebacks)

# A stage is tried again by the night, which asks for more memory, and not by what runs it inside the memory of a job.
RETRIES = 1 if workflow.is_main_process else 0


def settings_of(stage):
    """Input function: the resolved parameters of a stage."""
    return lambda wildcards: PLAN.jobs[wildcards.job].settings(stage, wildcards.get("part"))


def sheet_of(stage):
    """Input function: what a stage needs from the job sheet."""
    return lambda wildcards: PLAN.jobs[wildcards.job].sheet(stage, **dict(wildcards.items()))


def inputs_of(stage):
    """The inputs of a stage's rule: the JSON of every stage that it reads, and the data folders beside them.

    Data folders are ancient: the JSON, which carries the hash of each data file, says whether they changed.
    """
    inputs = {}
    for upstream in stages.STAGES[stage].upstream:
        inputs[upstream] = _results_of(stage, upstream, ".json")
        inputs[f"{upstream}_data"] = ancient(_results_of(stage, upstream, ""))
    return inputs


def _results_of(stage, upstream, ending):
    def paths(wildcards):
        places = stages.inputs(stage, upstream, dict(wildcards.items()), PLAN.jobs[wildcards.job].segments())
        return places + ending if isinstance(places, str) else [place + ending for place in places]

    return paths


def needs_of(stage):
    """The resources of a stage's rule: what pipeline/attempts.py holds it to, and Snakemake or a cluster plans with."""
    most_mb = workflow.global_resources.get("mem_mb").value

    def size(wildcards):
        return needs.size(PLAN.jobs[wildcards.job], wildcards.get("part"), wildcards.get("segment"))

    return {
        "mem_mb": lambda wildcards, attempt: needs.memory_mb(stage, size(wildcards), attempt, most_mb),
        "runtime": lambda wildcards: needs.runtime_min(stage, size(wildcards).raw_mb),
        "attempt": lambda wildcards, attempt: attempt,
    }


def priority_of(stage):
    """Priority function: urgent jobs first, then the longest chain."""
    return lambda wildcards: needs.priority(
        PLAN.jobs[wildcards.job], stage, wildcards.get("part"), wildcards.get("segment")
    )


def processors(wildcards):
    """Threads function of a stage that can use several."""
    return needs.processors(workflow.cores, sum(len(job.parts) for job in PLAN.jobs.values()))
