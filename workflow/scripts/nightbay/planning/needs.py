"""What each stage needs of memory and time by the size of its raw files, and what of a night comes first.

The numbers are fitted to nights that were measured (``bash tests/bench/run.sh needs fit DAY...``). A stage that needs
more is stopped and tried once more, alone, with all memory; one that takes longer is taken for hung.
"""

import math
from dataclasses import dataclass

from nightbay.pipeline.stages import STAGES
from nightbay.planning.job import Job

# Times the time of a processor that a stage takes as a rule: other processes, slow disks, hard vehicles. And the least,
# minutes: too short a time loses a night's work, too long a one only time. Chosen, no source.
SLACK, LEAST_MIN = 10, 15
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
    "intake": Need(200, 12, 0, 2, 0.2),
    "clean": Need(200, 12, 0, 2, 0.4),
    "network": Need(300, 0, 0, 5, 0.1),
    "refine": Need(300, 2, 0, 5, 0.4),
    "frame": Need(300, 2, 0, 5, 0.3),
    "fuse": Need(300, 10, 0, 5, 1.0),
    "fill": Need(300, 4, 0, 5, 0.3),
    "reduce": Need(500, 5, 0, 5, 0.6),
    "measure": Need(600, 5, 0, 10, 0.6, 5),
    "deliver": Need(300, 2, 0, 2, 0.2),
    "join": Need(600, 2, 0, 5, 0.4),
    "artefact": Need(300, 5, 0, 2, 0.2),
    "report": Need(1500, 5, 0, 15, 0.5),
}


def size(job: Job, part: str | None = None, segment: str | None = None) -> Size:
    """The size of what a step works on: a segment, a part, or without both the whole job."""
    parts = job.parts if part is None else [part]
    segments = [(name, each) for name in parts for each in job.parts[name].segments if segment in (None, each)]
    sizes = [job.raw_mb(name, each) for name, each in segments]
    return Size(sum(sizes), max(sizes, default=0.0), job.reference_mb(part) if part and not segment else 0.0)


def memory_mb(stage: str, size: Size, attempt: int = 1, most_mb: int | None = None) -> int:
    """Memory of a stage over raw files of this size, MB, at most ``most_mb``, what the night may use. Another attempt
    has all of that, and so runs alone."""
    need = NEEDS[stage]
    by_size = need.mb_per_mb * size.raw_mb + need.mb_per_largest_mb * size.largest_mb
    needed = math.ceil(need.base_mb + by_size + need.mb_per_reference_mb * size.reference_mb)
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
