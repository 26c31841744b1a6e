"""One part of a job with the results of its stages."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from nightbay.clean.result import CleanResult
from nightbay.core.language import phrase, say
from nightbay.deliver.result import DeliverResult
from nightbay.fill.result import FillResult
from nightbay.frame.result import FrameResult
from nightbay.fuse.result import FuseResult
from nightbay.intake.result import IntakeResult
from nightbay.measure.result import MeasureResult
from nightbay.network.result import NetworkResult
from nightbay.pipeline import typed
from nightbay.pipeline.stage import Upstream
from nightbay.reduce.result import ReduceResult
from nightbay.refine.result import LooseOverlap, RefineResult

NAMES = {"exterior": phrase("exterior"), "interior": phrase("interior")}  # of the parts, in sentences
Kind = TypeVar("Kind")


@dataclass(frozen=True)
class Segment:
    """What was read of a segment and what cleaning kept of it; None where the stage rejected it or did not run."""

    intake: IntakeResult | None
    clean: CleanResult | None


@dataclass(frozen=True)
class Part:
    """A part: the results of its stages, None where a stage rejected it or did not run.

    ``upstream``: the stages' records, segments first, in the order of the stages; ``segments`` by name, sorted.
    """

    name: str
    upstream: list[Upstream]
    segments: dict[str, Segment]
    network: NetworkResult | None
    refine: RefineResult | None
    frame: FrameResult | None
    fuse: FuseResult | None
    fill: FillResult | None
    reduce: ReduceResult | None
    deliver: DeliverResult | None
    measure: MeasureResult | None

    @property
    def noun(self) -> str:
        """Its name as a sentence has it."""
        return say(NAMES[self.name])

    def folder(self, stage: str) -> Path:
        """The data folder of a stage of the part. KeyError where the stage did not run."""
        return {left.stage: left.folder for left in self.upstream if left.segment is None}[stage]

    @property
    def reasons(self) -> list[dict[str, Any]]:
        """Why the part was refused, each sentence once: {"stage", "segment", "sentence"}."""
        found: list[dict[str, Any]] = []
        for left in self.upstream:
            found += [reason for reason in left.reasons if left.status != "ok" and reason not in found]
        return found

    @property
    def notes(self) -> list[tuple[str, str | None, str]]:
        """What the stages noted: (stage, segment or None, sentence), each sentence once."""
        return list(dict.fromkeys((left.stage, left.segment, note) for left in self.upstream for note in left.notes))

    @property
    def placed(self) -> list[str]:
        """Names of the segments that the part is made from: all but those that refine left out."""
        left_out = {left.segment for left in self.refine.unplaced} if self.refine else set()
        return [name for name in self.segments if name not in left_out]

    @property
    def loose(self) -> list[LooseOverlap]:
        """Overlaps that leave directions loose, of a part that was refused for them too."""
        if self.refine:
            return self.refine.loose
        records = [left.result.get("loose", []) for left in self.upstream if left.stage == "refine"]
        return [typed.read(LooseOverlap, overlap) for record in records for overlap in record]

    @property
    def points(self) -> int | None:
        """Points that the surface was made of; None where cleaning was not reached or rejected a segment."""
        cleaned = [clean.kept for name in self.placed if (clean := self.segments[name].clean)]
        return sum(cleaned) if cleaned and len(cleaned) == len(self.placed) else None


def parts_of(upstream: Mapping[str, Sequence[Upstream]]) -> list[Part]:
    """The :class:`Part` of each part of a job, exterior first, from the stages' results {stage: records}."""
    everything = [left for results in upstream.values() for left in results]
    names = sorted({left.part for left in everything if left.part in NAMES})
    return [_part(name, [left for left in everything if left.part == name]) for name in names]


def _part(name: str, upstream: list[Upstream]) -> Part:
    upstream = sorted(
        upstream, key=lambda left: left.segment is None
    )  # segments first; sorting keeps the stages' order
    segments = sorted({left.segment for left in upstream if left.segment is not None})
    return Part(
        name,
        upstream,
        {
            segment: Segment(
                _result(IntakeResult, "intake", upstream, segment), _result(CleanResult, "clean", upstream, segment)
            )
            for segment in segments
        },
        network=_result(NetworkResult, "network", upstream),
        refine=_result(RefineResult, "refine", upstream),
        frame=_result(FrameResult, "frame", upstream),
        fuse=_result(FuseResult, "fuse", upstream),
        fill=_result(FillResult, "fill", upstream),
        reduce=_result(ReduceResult, "reduce", upstream),
        deliver=_result(DeliverResult, "deliver", upstream),
        measure=_result(MeasureResult, "measure", upstream),
    )


def _result(kind: type[Kind], stage: str, upstream: Sequence[Upstream], segment: str | None = None) -> Kind | None:
    for left in upstream:
        if left.stage == stage and left.segment == segment and left.status == "ok":
            return typed.read(kind, left.result)
    return None
