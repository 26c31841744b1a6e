"""What each stage needs of memory and time by the size of its raw files, and what of a night comes first.

The numbers are fitted to nights of the demo's vehicles with 0.3, 3 and 9 million points (``bash tests/bench/run.sh
faults memory DAY ... --fit``), rounded up; those of reduce, measure and report with 0.3, 15 and 60 million. Not
measured are the slopes of stage artefact, which had one size, and of the mesh that a part is compared with. A stage
that needs more is stopped and tried once more, alone, with all memory; one that takes longer is taken for hung.
"""

import math
from dataclasses import dataclass

from nightbay.pipeline.stages import STAGES
from nightbay.planning.job import Job

# Times the time of a processor that a stage takes as a rule: other processes, slow disks, hard vehicles. And the least,
# minutes: too short a time loses a night's work, too long a one only time. Chosen, no source.
SLACK, LEAST_MIN = 10, 15
# Libraries, and in the first night of an installation the compiling of kernels, decide what small vehicles need.
# Compiling adds 90 MB (stage network, measured), which above this is within the margin of the fit.
LEAST_MB = 600
MORE = 3  # times the memory of the first attempt, where the memory of the machine is not known
URGENT = 1_000_000_000  # of a priority: longer than any chain of stages takes, s


@dataclass(frozen=True)
class Need:
    """Memory ``base_mb + mb_per_mb * size + mb_per_largest_mb * largest`` and time of one processor ``base_s + s_per_mb
    * size``, by :class:`Size`; ``mb_per_reference_mb``: memory for the mesh that a part is compared with."""

    base_mb: float
    mb_per_mb: float
    mb_per_largest_mb: float
    base_s: float
    s_per_mb: float
    mb_per_reference_mb: float = 0.0


@dataclass(frozen=True)
class Size:
    """Size of the raw files that a step works on, MB: of all, of the largest segment, which tells how dense the surface
    is, and of the mesh that the part is compared with."""

    raw_mb: float
    largest_mb: float
    reference_mb: float = 0.0


NEEDS = {
    "intake": Need(230, 12.5, 0, 5, 0.12),
    "clean": Need(260, 5.3, 0, 13, 0.21),
    "network": Need(150, 0.9, 0, 2, 0.03),
    "refine": Need(235, 0, 5.8, 8, 0.04),
    "frame": Need(275, 1.1, 0, 3, 0.04),
    "fuse": Need(395, 0, 6, 23, 0.08),
    "fill": Need(210, 0, 6.2, 9, 0.03),
    "reduce": Need(340, 1.0, 5.3, 10, 0.08),
    "measure": Need(265, 0.7, 11, 15, 0.07, 5),
    "deliver": Need(145, 1.3, 0, 2, 0.01),
    "join": Need(315, 0, 10.5, 3, 0.02),
    "artefact": Need(145, 0, 5, 1, 0.2),
    "report": Need(1800, 0, 0, 36, 0),
}


def size(job: Job, part: str | None = None, segment: str | None = None) -> Size:
    """The size of what a step works on: a segment, a part, or without both the whole job."""
    parts = job.parts if part is None else [part]
    segments = [(name, each) for name in parts for each in job.parts[name].segments if segment in (None, each)]
    sizes = [job.raw_mb(name, each) for name, each in segments]
    return Size(sum(sizes), max(sizes, default=0.0), job.reference_mb(part) if part and not segment else 0.0)


def memory_mb(stage: str, size: Size, attempt: int = 1, most_mb: int | None = None) -> int:
    """Memory of a stage over raw files of this size, MB, at least :data:`LEAST_MB`, and at most ``most_mb``, what the
    night may use. Another attempt has all of that, and so runs alone."""
    need = NEEDS[stage]
    by_size = need.mb_per_mb * size.raw_mb + need.mb_per_largest_mb * size.largest_mb
    needed = max(LEAST_MB, math.ceil(need.base_mb + by_size + need.mb_per_reference_mb * size.reference_mb))
    if attempt > 1:
        return most_mb or MORE * needed
    return min(needed, most_mb or needed)


def runtime_min(stage: str, raw_mb: float) -> int:
    """Time after which a stage over raw files of this size counts as hung, minutes."""
    return max(LEAST_MIN, math.ceil(SLACK * _seconds(stage, raw_mb) / 60))


def priority(job: Job, stage: str, part: str | None = None, segment: str | None = None) -> int:
    """Priority of a step: seconds of the longest chain of stages from it to the job's report, so that the longest chain
    begins first and the night ends early; steps of urgent jobs come before all others."""
    chain: dict[str, float] = {}
    for name in reversed(STAGES):
        following = [chain[after] for after in chain if name in STAGES[after].upstream]
        if STAGES[name].runs_for(job.parts):
            of = (part, segment) if name == stage else (part, None) if STAGES[name].unit == "part" else (None, None)
            chain[name] = _seconds(name, job.raw_mb(*of)) + max(following, default=0)
        if name == stage:
            break
    return round(chain[stage]) + URGENT * bool(job.document.get("urgent"))


def processors(cores: int | None, parts: int) -> int:
    """Processors of a stage that can use several: while there are parts of vehicles enough to keep all busy, one each
    is best; 2 where the number of processors is not known."""
    return max(1, cores // max(1, parts)) if cores else 2


def _seconds(stage: str, raw_mb: float) -> float:
    return NEEDS[stage].base_s + NEEDS[stage].s_per_mb * raw_mb
