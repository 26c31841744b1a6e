"""The release check of one job: the stages on a sample, the coverage of its exterior, and the verdict."""

import shutil
import tempfile
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import numpy as np

from nightbay.core import axes
from nightbay.coverage import coverage as coverage_search
from nightbay.coverage import sentences
from nightbay.coverage.result import Coverage
from nightbay.frame.result import FrameResult
from nightbay.network.result import NetworkResult
from nightbay.pipeline import typed
from nightbay.pipeline.settings import settings as frozen
from nightbay.planning.day import Job
from nightbay.release import chain, floors, picture, surface, ties
from nightbay.release.chain import Checked
from nightbay.release.picture import Picture
from nightbay.release.result import Action, PartCheck, ReleaseResult, SampledFile, SegmentTargets

# Which kinds of action mean that the vehicle is needed again; the others are put right at the desk.
SCAN_AGAIN = ("moved", "registration", "area")
ORDER = ("copying", "file", "moved", "registration", "area", "unknown")
DESIGN = {
    name: np.diag([-axes.axes(name).forward, -axes.axes(name).left, 1.0, 1.0]) for name in ("design_grid", "iso_8855")
}


def refused(sentences: Iterable[str]) -> ReleaseResult:
    """The result for a job that can't be planned, for these reasons."""
    return _result([Action("file", None, None, None, sentence) for sentence in sentences], [], [])


def failed(sentence: str) -> ReleaseResult:
    """The result for a job that a fault of the program keeps from being checked."""
    again = "Report it; look over the vehicle yourself."
    return _result([Action("unknown", None, None, None, f"{sentence} {again}")], [], [])


def job(planned: Job, say: Callable[[str], None]) -> tuple[ReleaseResult, list[Picture]]:
    """Check a job, whose raw files lie below the working folder; ``say``: progress for the terminal.

    Nothing is written but to a temporary folder, which is removed. Returns the result and the pictures of its exterior.
    """
    actions: list[Action] = []
    open_areas: list[str] = []
    parts: list[PartCheck] = []
    pictures: list[Picture] = []
    for part in planned.parts:
        scratch = Path(tempfile.mkdtemp(prefix="nightbay-release-"))
        try:
            checked = chain.run(planned, part, scratch, say)
            targets, own = _registration(checked, planned, part)
            actions += own
            coverage: Coverage | None = None
            reason: str | None = "the coverage of an interior is not looked at: look round it yourself"
            if part == "exterior":
                coverage, reason, shown = _coverage(checked, part, say)
                actions += _areas(coverage, reason, checked, part)
                pictures += shown
            framed = checked.frame.result["axes"] if checked.frame else "as_scanned"
            parts.append(PartCheck(part, _files(checked, planned, part), targets, framed, coverage, reason))
            open_areas += (
                [sentences.open_area(area) for area in coverage.areas if area.verdict == "open"] if coverage else []
            )
        finally:
            shutil.rmtree(scratch, ignore_errors=True)
    return _result(actions, open_areas, parts), pictures


def _result(actions: list[Action], open_areas: list[str], parts: list[PartCheck]) -> ReleaseResult:
    ordered = sorted(actions, key=lambda action: ORDER.index(action.kind))
    again = any(action.kind in SCAN_AGAIN for action in actions)
    return ReleaseResult("scan again" if again else "not yet" if actions else "may leave", ordered, open_areas, parts)


def _registration(checked: Checked, planned: Job, part: str) -> tuple[list[SegmentTargets], list[Action]]:
    """The targets of the segments, and what to do about faults of files and of registration."""
    kinds: dict[str, Any] = {"intake": "file", "clean": "file"}
    actions = [
        Action(
            "copying" if fault.copying else kinds.get(fault.stage, "registration"),
            part,
            fault.segment,
            None,
            fault.sentence,
        )
        for fault in checked.faults
    ]
    if checked.network is None:
        return [], actions
    network = typed.read(NetworkResult, checked.network.result)
    clean = list(checked.clean.values())
    scan = frozen(planned.settings("network", part)).scan
    rows = ties.segment_targets(network, clean, scan.noise_mm, scan.target_drift_mm_per_m)
    T = None
    if checked.frame is not None:
        framed = typed.read(FrameResult, checked.frame.result)
        T = DESIGN[framed.axes] @ framed.T_vehicle_control if framed.axes in DESIGN else None
    actions += ties.weak(part, rows, network, clean, T)
    by_targets = ties.moved(part, network.moved_groups)
    named = {action.segment for action in by_targets}
    pose_sd = {row.segment: row.far_end_sd_mm for row in rows}
    by_floor = floors.moved(part, network, clean, scan.noise_mm, scan.target_drift_mm_per_m, pose_sd)
    actions += by_targets + [action for action in by_floor if action.segment not in named]
    return rows, actions


def _coverage(
    checked: Checked, part: str, say: Callable[[str], None]
) -> tuple[Coverage | None, str | None, list[Picture]]:
    """The coverage, or why it is not known, and its pictures."""
    if checked.frame is None or checked.faults:
        return None, "some of its segments can't be used yet", []
    shown = surface.of_part(checked)
    if isinstance(shown, str):
        return None, shown, []
    found = coverage_search.find(shown)
    say(f"  coverage {part}  {len(found.never_seen)} never seen, {len(found.areas) - len(found.never_seen)} open")
    return found, found.reason, picture.draw(shown, found)


def _areas(coverage: Coverage | None, reason: str | None, checked: Checked, part: str) -> list[Action]:
    if reason is not None:
        # a part whose segments are at fault is not named twice that something is missing
        sentence = f"Whether anything is missing could not be checked: {reason}. Look over the vehicle yourself."
        return [] if checked.faults else [Action("unknown", part, None, None, sentence)]
    assert coverage is not None
    return [Action("area", part, None, area.number, sentences.never_seen(area)) for area in coverage.never_seen]


def _files(checked: Checked, planned: Job, part: str) -> list[SampledFile]:
    segments = planned.parts[part].segments
    return [
        SampledFile(segments[name].cloud.file, sample.read, sample.of, sample.all_rows)
        for name, sample in checked.samples.items()
    ]
