"""The stages of a job: what each works on, which stages and which keys of ``scan`` it reads.

The rules of the night, the settings that a stage gets and ``workflow/stage.sh`` all come from :data:`STAGES`. No stage
imports this module, because its code hash would then depend on the other stages.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

# Parts of a job: those of the vehicle, each a model of its own, and the artefacts that check the scanner.
VEHICLE, ARTEFACT = ("exterior", "interior"), "artefact"
PARTS = (*VEHICLE, ARTEFACT)
NAMES = {"segment": "{part}.{segment}", "part": "{part}", "job": "{job}"}  # of a result, by what the stage works on


@dataclass(frozen=True)
class Stage:
    """One stage of a job.

    ``unit``: what it works on: "segment", "part" or "job". ``upstream``: names of the stages whose results it reads.
    ``scan``: the keys of the section ``scan`` that it reads; a change of another key does not rerun it. ``of``: the
    parts whose segments or results it works on; it runs only for jobs with one of them, with ``all_of`` only for jobs
    that have them all.
    """

    name: str
    unit: str
    upstream: tuple[str, ...]
    scan: tuple[str, ...]
    of: tuple[str, ...] = VEHICLE
    all_of: bool = False

    def runs_for(self, parts: Iterable[str]) -> bool:
        """Whether it runs for a job with these parts."""
        found = set(self.of) & set(parts)
        return found == set(self.of) if self.all_of else bool(found)


_CHAIN = (
    Stage("intake", "segment", (), ("noise_mm", "standoff_mm", "target_drift_mm_per_m"), PARTS),
    Stage("clean", "segment", ("intake",), ("noise_mm", "smallest_mm")),
    Stage("network", "part", ("intake",), ("noise_mm", "target_noise_mm", "target_drift_mm_per_m")),
    Stage(
        "refine",
        "part",
        ("network", "clean"),
        ("target_noise_mm", "target_drift_mm_per_m", "standoff_mm"),
    ),
    Stage("frame", "part", ("network", "refine", "clean"), ("target_drift_mm_per_m",)),
    Stage("fuse", "part", ("refine", "frame", "clean"), ("resolution_mm", "noise_mm", "smallest_mm")),
    Stage("fill", "part", ("fuse", "frame"), ()),
    Stage("reduce", "part", ("fill",), ()),
    Stage("measure", "part", ("fill", "frame", "refine", "network", "clean"), ("noise_mm", "target_drift_mm_per_m")),
    Stage("deliver", "part", ("reduce", "frame", "measure"), ()),
    Stage(
        "join",
        "job",
        ("clean", "network", "refine", "frame", "fill", "measure"),
        ("noise_mm", "target_noise_mm", "target_drift_mm_per_m"),
        all_of=True,
    ),
    Stage("artefact", "part", ("intake",), ("noise_mm", "target_noise_mm", "target_drift_mm_per_m"), (ARTEFACT,)),
)
STAGES = {stage.name: stage for stage in _CHAIN}
STAGES["report"] = Stage("report", "job", tuple(STAGES), (), PARTS)


def place(stage: str, wildcards: Mapping[str, str]) -> str:
    """Path, relative to the day, of the data folder of a stage's result; its JSON has the same path with ``.json``.

    ``wildcards``: ``job`` and, as the stage needs them, ``part`` and ``segment``.
    """
    return f"results/{wildcards['job']}/{stage}/{NAMES[STAGES[stage].unit].format(**wildcards)}"


def inputs(
    stage: str, upstream: str, wildcards: Mapping[str, str], segments: Mapping[str, Sequence[str]]
) -> str | list[str]:
    """Paths, as of :func:`place`, of the results of ``upstream`` that ``stage`` reads: one, or a list for a larger
    unit. A stage of the whole job reads lists only, of the parts that both stages work on: an empty one of a stage that
    does not run for the job.

    ``segments``: the names of the job's segments by part.
    """
    unit = STAGES[upstream].unit
    if unit == "job":
        return [place(upstream, wildcards)] if STAGES[upstream].runs_for(segments) else []
    if unit == STAGES[stage].unit:
        return place(upstream, wildcards)
    both = [part for part in segments if part in STAGES[stage].of and part in STAGES[upstream].of]
    parts = [wildcards["part"]] if "part" in wildcards else both
    if unit == "part":
        return [place(upstream, {**wildcards, "part": part}) for part in parts]
    return [
        place(upstream, {**wildcards, "part": part, "segment": segment}) for part in parts for segment in segments[part]
    ]


def downstream(changed: set[str]) -> list[str]:
    """The stages that run when these stages run: themselves and all that read a result of one of them, in order."""
    running: list[str] = []
    for stage in STAGES.values():
        if stage.name in changed or any(name in running for name in stage.upstream):
            running.append(stage.name)
    return running
