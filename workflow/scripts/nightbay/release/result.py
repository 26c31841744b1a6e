"""What the release check leaves: its verdict on a job, and what to do, in words and in numbers."""

from dataclasses import dataclass
from typing import Literal

from nightbay.coverage.result import Coverage

Verdict = Literal["may leave", "scan again", "not yet"]
ActionKind = Literal["file", "copying", "registration", "moved", "area", "unknown"]


@dataclass(frozen=True)
class Action:
    """Something to do before the vehicle leaves: a ``sentence`` that says what is wrong, where, and what to do.

    ``kind``: "file" (copy, export or declare it right: nothing of the scan is known to be wrong), "copying" (wait),
    "registration" (too few targets, or a segment that fits nowhere), "moved" (the body or something on it moved
    between two runs), "area" (never seen) or "unknown" (it could not be checked). ``segment``: None where it concerns
    the whole part; ``area``: number in the coverage of the part.
    """

    kind: ActionKind
    part: str | None
    segment: str | None
    area: int | None
    sentence: str


@dataclass(frozen=True)
class SampledFile:
    """``read`` points of a raw file of about ``of`` points; ``all_rows``: its format made every row be read."""

    file: str
    read: int
    of: int
    all_rows: bool


@dataclass(frozen=True)
class SegmentTargets:
    """Targets that a segment shares with other lists: ``common`` of ``listed``; ``far_end_sd_mm``: standard deviation
    of the position of the segment's farthest point, as its pose leaves it; ``allowed_mm``: that of the measurement
    itself there, by the scanner's noise and drift."""

    segment: str
    common: int
    listed: int
    far_end_sd_mm: float
    allowed_mm: float


@dataclass(frozen=True)
class PartCheck:
    """One part: its sampled files, its segments' targets, and its coverage, None where it was not looked at, for
    ``coverage_reason``. ``axes``: axis convention of the coverage."""

    part: str
    files: list[SampledFile]
    targets: list[SegmentTargets]
    axes: str
    coverage: Coverage | None
    coverage_reason: str | None


@dataclass(frozen=True)
class ReleaseResult:
    """The check of a job: "may leave", "scan again", or "not yet" where something has to be put right before it can be
    told; ``actions`` in the order of their weight; ``open_areas``: sentences on places that are open and should be
    glazing or another opening."""

    verdict: Verdict
    actions: list[Action]
    open_areas: list[str]
    parts: list[PartCheck]
