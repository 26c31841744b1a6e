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
    """What one step used: its highest memory and its time of processors; the sizes that its needs go by, MB."""

    stage: str
    step: str
    raw_mb: float
    reference_mb: float
    peak_mb: float
    cpu_s: float

    @property
    def ratio(self):
        """Memory that the rule asks for, over what was used."""
        return needs.memory_mb(self.stage, self.raw_mb, self.reference_mb) / self.peak_mb


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
        raw_mb = plan.jobs[job].raw_mb(part or None, segment or None)
        reference_mb = plan.jobs[job].reference_mb(part) if stage == "measure" else 0.0
        found.append(Used(stage, f"{job} {unit}", raw_mb, reference_mb, last.peak_mb, last.cpu_s))
    return found


def fit(used):
    """By stage base and slope of memory, with its margin, and of time: straight lines over the size, above all that was
    measured and as low as that allows."""
    by_stage = defaultdict(list)
    for step in used:
        by_stage[step.stage].append(step)
    return {
        stage: (
            *_line([step.raw_mb for step in steps], [MARGIN * step.peak_mb for step in steps]),
            *_line([step.raw_mb for step in steps], [max(SMALLEST_S, step.cpu_s) for step in steps]),
        )
        for stage, steps in by_stage.items()
    }


def _line(sizes, values):
    """Base and slope, both at least 0, of the line that lies above all values and by the least sum."""
    sizes, values = np.array(sizes), np.array(values)
    above = np.column_stack([-np.ones_like(sizes), -sizes])
    found = linprog([len(sizes), sizes.sum()], above, -values, bounds=[(0, None)] * 2)
    return float(found.x[0]), float(found.x[1])
