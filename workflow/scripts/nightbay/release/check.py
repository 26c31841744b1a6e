"""The release check of one job: the stages on a sample, the coverage of its parts, and what follows from them."""

import shutil
import tempfile
from collections.abc import Callable, Iterable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from nightbay.core import axes
from nightbay.core.language import say, stage_sentence
from nightbay.coverage import coverage as coverage_search
from nightbay.coverage import room, sentences
from nightbay.coverage.coverage import Surface
from nightbay.coverage.result import Coverage
from nightbay.coverage.room import RoomSurface
from nightbay.frame.result import FrameResult
from nightbay.network.result import NetworkResult
from nightbay.pipeline import typed
from nightbay.pipeline.settings import settings as frozen
from nightbay.pipeline.stages import VEHICLE
from nightbay.planning.job import Job
from nightbay.release import chain, floors, picture, surface, ties
from nightbay.release.chain import Checked
from nightbay.release.findings import Finding, Findings, Words
from nightbay.release.picture import Picture
from nightbay.release.result import ActionKind, PartCheck, SampledFile, SegmentTargets

DESIGN = {
    name: np.diag([-axes.axes(name).forward, -axes.axes(name).left, 1.0, 1.0]) for name in ("design_grid", "iso_8855")
}


def refused(reasons: Iterable[str]) -> Findings:
    """What is found of a job that can't be planned, for these reasons."""
    return Findings([_of_stage("file", None, None, sentence) for sentence in reasons])


def failed(name: str, cause: str) -> Findings:
    """What is found of a job that a fault of the program, the ``cause``, keeps from being checked."""
    return Findings([Finding("unknown", None, None, None, partial(_failed, name, cause))])


def job(planned: Job, progress: Callable[[str], None]) -> Findings:
    """Check a job, whose raw files lie below the working folder; ``progress``: prints a line on the terminal.

    Nothing is written but to a temporary folder, which is removed.
    """
    todo: list[Finding] = []
    parts: list[PartCheck] = []
    reasons: dict[str, Words] = {}
    pictures: list[Picture] = []
    for part in filter(VEHICLE.__contains__, planned.parts):  # an artefact can be scanned again after the vehicle left
        scratch = Path(tempfile.mkdtemp(prefix="nightbay-release-"))
        try:
            checked = chain.run(planned, part, scratch, progress)
            targets, own = _registration(checked, planned, part)
            todo += own
            coverage, reason, shown = _coverage(checked, part, progress)
            todo += _areas(coverage, reason, checked, part)
            pictures += shown
            framed = checked.frame.result["axes"] if checked.frame else "as_scanned"
            parts.append(PartCheck(part, _files(checked, planned, part), targets, framed, coverage, None))
            if reason:
                reasons[part] = reason
        finally:
            shutil.rmtree(scratch, ignore_errors=True)
    return Findings(todo, parts, reasons, pictures)


def _of_stage(kind: ActionKind, part: str | None, segment: str | None, sentence: str) -> Finding:
    """What a stage or the plan says, in a sentence of its own."""
    return Finding(kind, part, segment, None, partial(stage_sentence, sentence))


def _failed(name: str, cause: str) -> str:
    return say(
        "{job} can't be checked because of a fault in Nightbay ({cause}). Report it; look over the vehicle yourself.",
        job=name,
        cause=cause,
    )


def _not_usable() -> str:
    return say("some of its segments can't be used yet")


def _not_covered(reason: Words) -> str:
    return say(
        "Whether anything is missing could not be checked: {reason}. Look over the vehicle yourself.", reason=reason()
    )


def _registration(checked: Checked, planned: Job, part: str) -> tuple[list[SegmentTargets], list[Finding]]:
    """The targets of the segments, and what to do about faults of files and of registration."""
    kinds: dict[str, Any] = {"intake": "file", "clean": "file"}
    todo = [
        _of_stage(
            "copying" if fault.copying else kinds.get(fault.stage, "registration"), part, fault.segment, fault.sentence
        )
        for fault in checked.faults
    ]
    if checked.network is None:
        return [], todo
    network = typed.read(NetworkResult, checked.network.result)
    clean = list(checked.clean.values())
    scan = frozen(planned.settings("network", part)).scan
    rows = ties.segment_targets(network, clean, scan.noise_mm, scan.target_drift_mm_per_m)
    T = None
    if checked.frame is not None:
        framed = typed.read(FrameResult, checked.frame.result)
        T = DESIGN[framed.axes] @ framed.T_vehicle_control if framed.axes in DESIGN else None
    todo += ties.weak(part, rows, network, clean, T)
    by_targets = ties.moved(part, network.moved_groups)
    named = {finding.segment for finding in by_targets}
    pose_sd = {row.segment: row.far_end_sd_mm for row in rows}
    by_floor = floors.moved(part, network, clean, scan.noise_mm, scan.target_drift_mm_per_m, pose_sd)
    todo += by_targets + [finding for finding in by_floor if finding.segment not in named]
    return rows, todo


def _coverage(
    checked: Checked, part: str, progress: Callable[[str], None]
) -> tuple[Coverage | None, Words | None, list[Picture]]:
    """The coverage, or why it is not known, and its pictures."""
    if checked.frame is None or checked.faults:
        return None, _not_usable, []
    shown = surface.of_part(checked)
    if isinstance(shown, RoomSurface):
        found = room.find(shown)
    elif isinstance(shown, Surface):
        found = coverage_search.find(shown)
    else:
        return None, shown, []
    progress(f"  coverage {part}  {len(found.never_seen)} never seen, {len(found.areas) - len(found.never_seen)} open")
    return found, (lambda: str(found.reason)) if found.reason else None, picture.draw(shown, found)


def _areas(coverage: Coverage | None, reason: Words | None, checked: Checked, part: str) -> list[Finding]:
    if reason is not None:
        # A part whose segments are at fault is not named twice that something is missing. Many interiors have no frame:
        # the check says that it did not look at them, and keeps no vehicle for it.
        if checked.faults or (part == "interior" and coverage is None):
            return []
        return [Finding("unknown", part, None, None, partial(_not_covered, reason))]
    assert coverage is not None
    return [
        Finding("area", part, None, area.number, partial(sentences.never_seen, area)) for area in coverage.never_seen
    ]


def _files(checked: Checked, planned: Job, part: str) -> list[SampledFile]:
    segments = planned.parts[part].segments
    return [
        SampledFile(segments[name].cloud.file, sample.read, sample.of, sample.all_rows)
        for name, sample in checked.samples.items()
    ]
