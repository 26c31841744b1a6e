"""What the stages of finished nights used, from the records of their attempts, and the needs fitted to it."""

import json
from collections import defaultdict
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linprog

from nightbay.pipeline import attempts
from nightbay.pipeline.stages import STAGES
from nightbay.planning import day as day_plan
from nightbay.planning import needs, parameters, yaml_file

# Above the most that was measured: for what comes between two looks, and for harder vehicles than those of the demo.
MARGIN = 1.2
HEAVY_MB = 500
SMALLEST_S = 1.0  # of a time that counts in the fit: below it Python's start decides


@dataclass(frozen=True)
class Used:
    """What one step used: its highest memory and its time of processors; the size that its needs go by."""

    stage: str
    step: str
    size: needs.Size
    peak_mb: float
    cpu_s: float

    @property
    def ratio(self):
        """Memory that the rule asks for, over what was used."""
        return needs.memory_mb(self.stage, self.size) / self.peak_mb


def of_day(day):
    """What the steps of a day used that came to a result; a step after a rejection only passes that on."""
    defaults = yaml_file.read(parameters.CLASSES.parent / "config.yaml", "config/config.yaml")
    plan = day_plan.plan(day, defaults)
    found = []
    for path in sorted((day / "logs").glob(f"*/*/*{attempts.ENDING}")):
        job, stage, unit = path.parts[-3:]
        unit = unit.removesuffix(attempts.ENDING)
        record = day / "results" / job / stage / f"{unit}.json"
        tried = attempts.read(path.with_name(f"{unit}.log"))
        if job not in plan.jobs or stage not in STAGES or not tried or not record.exists():
            continue
        last = tried[-1]
        if last.cause != "done" or last.peak_mb is None:
            continue
        if json.loads(record.read_text(encoding="utf-8"))["status"] != "ok":
            continue
        part, _, segment = ("", "", "") if unit == job else unit.partition(".")
        size = needs.size(plan.jobs[job], part or None, segment or None)
        found.append(Used(stage, f"{job} {unit}", size, last.peak_mb, last.cpu_s))
    return found


def fit(used):
    """By stage memory, with its margin, as base, slope over the size and slope over the largest segment, and time as
    base and slope: above all that was measured, and as low as that allows."""
    by_stage = defaultdict(list)
    for step in used:
        by_stage[step.stage].append(step)
    return {
        stage: (
            *_above([_terms(step) for step in steps], [MARGIN * step.peak_mb for step in steps]),
            *_above([_terms(step)[:2] for step in steps], [max(SMALLEST_S, step.cpu_s) for step in steps]),
        )
        for stage, steps in by_stage.items()
    }


def _terms(step):
    return 1.0, step.size.raw_mb, step.size.largest_mb


def _above(terms, values):
    """Factors of the terms, all at least 0, with which their sum lies above each value, by as little as can be."""
    terms, values = np.array(terms), np.array(values)
    return linprog(terms.sum(axis=0), -terms, -values, bounds=[(0, None)] * terms.shape[1]).x.clip(0).tolist()
