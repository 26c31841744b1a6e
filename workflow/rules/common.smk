# The plan of the day, and what the rules take from it. Everything here runs when the Snakefile is parsed, so that each
# rule's params hold just what its stage depends on: a change reruns that stage and what follows from it, no more.
import os
import re
import sys
from pathlib import Path

sys.path.insert(0, str(Path(workflow.basedir) / "workflow" / "scripts"))

from nightbay.core.errors import Rejected
from nightbay.pipeline import provenance
from nightbay.planning import day
from snakemake.exceptions import WorkflowError

# Scripts run from .snakemake/scripts, and Python would import from there what is meant to come from its own library.
os.environ.update(PYTHONSAFEPATH="1")

try:
    PLAN = day.plan(Path.cwd(), config)
except Rejected as rejection:
    raise WorkflowError(str(rejection)) from None
sys.stderr.writelines(PLAN.tracebacks)

SEGMENT_STAGES = ("intake", "clean")
PART_STAGES = ("network", "refine", "frame", "fuse", "fill", "reduce", "deliver", "measure")


def settings_of(stage):
    """Input function: the resolved parameters of a stage."""
    return lambda wildcards: PLAN.jobs[wildcards.job].settings(stage, wildcards.get("part"))


def sheet_of(stage):
    """Input function: what a stage needs from the job sheet."""
    return lambda wildcards: PLAN.jobs[wildcards.job].sheet(stage, **dict(wildcards.items()))


def segments_of(stage):
    """Input function: the JSON of a stage for every segment of the part, in order of their names."""
    return lambda wildcards: [
        f"results/{wildcards.job}/{stage}/{wildcards.part}.{segment}.json"
        for segment in PLAN.jobs[wildcards.job].parts[wildcards.part].segments
    ]


def data_of(json_files):
    """Input function: the data folders beside these JSON files."""
    return lambda wildcards: [path.removesuffix(".json") for path in json_files(wildcards)]


def segment_results(stage):
    """Input function: the JSON of a stage for every segment of every part of the job."""
    return lambda wildcards: [
        f"results/{wildcards.job}/{stage}/{name}.{segment}.json"
        for name, part in PLAN.jobs[wildcards.job].parts.items()
        for segment in part.segments
    ]


def part_results(stage):
    """Input function: the JSON of a stage for every part of the job."""
    return lambda wildcards: [f"results/{wildcards.job}/{stage}/{part}.json" for part in PLAN.jobs[wildcards.job].parts]


def raw_mb(wildcards):
    """Size of the raw files behind a job, a part or a segment in MB: what a stage's memory is declared by."""
    return PLAN.jobs[wildcards.job].raw_mb(wildcards.get("part"), wildcards.get("segment"))


def memory_mb(base, factor):
    """Resource function: memory as ``base`` plus ``factor`` times the raw size, half as much again each attempt."""
    return lambda wildcards, attempt: int((base + factor * raw_mb(wildcards)) * (1 + (attempt - 1) / 2))
