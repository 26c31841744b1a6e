"""The night's stages from intake to frame, run on a sample of a part's raw files in a scratch folder."""

import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, redirect_stdout
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from nightbay.clean import clean
from nightbay.core.errors import Rejected, Unplaced
from nightbay.frame import frame
from nightbay.intake import intake
from nightbay.network import network
from nightbay.pipeline.settings import settings as frozen
from nightbay.pipeline.stage import Upstream
from nightbay.planning import raw_files
from nightbay.planning.job import Job
from nightbay.planning.raw_files import Unhashed
from nightbay.refine import refine
from nightbay.release import file_state, sampling

# Points of a part that are looked at. A coach has 120 m2 of outside, most of it seen twice: four points in each cell of
# 25 mm. A fifth of a missing area of 0.05 m2 is then still sixteen cells.
MOST = 1_000_000
# Of an overlap: enough to register what has no targets, and too few to measure how well it fits.
CORRESPONDENCES = 3000


@dataclass(frozen=True)
class Fault:
    """Why a segment, or with None the whole part, is not in order: a sentence of a stage that can be acted on.

    ``stage``: which of the night's stages says so; ``copying``: a file of it is still being copied, so nothing is wrong
    with it yet.
    """

    segment: str | None
    stage: str
    sentence: str
    copying: bool = False


@dataclass
class Checked:
    """What the stages left of a part, as far as they came; ``samples`` {segment: what was read}."""

    faults: list[Fault] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    samples: dict[str, sampling.Sample] = field(default_factory=dict)
    intake: dict[str, Upstream] = field(default_factory=dict)
    clean: dict[str, Upstream] = field(default_factory=dict)
    network: Upstream | None = None
    refine: Upstream | None = None
    frame: Upstream | None = None


def run(job: Job, part: str, scratch: Path, progress: Callable[[str], None]) -> Checked:
    """Run the stages over a part; ``scratch``: an empty folder for their data; ``progress``: prints a line."""
    return _Chain(job, part, scratch, progress).run()


class _Chain:
    def __init__(self, job: Job, part: str, scratch: Path, progress: Callable[[str], None]) -> None:
        self.job, self.part, self.scratch, self.progress = job, part, scratch, progress
        self.checked = Checked()
        self.day, self.log = job.hashes.day, scratch / "log"

    def run(self) -> Checked:
        segments = self.job.parts[self.part].segments
        for name in segments:
            self._segment(name, MOST // len(segments))
        checked = self.checked
        if not checked.clean:
            return checked
        clouds = list(checked.clean.values())
        sheet = self.job.sheet("network", part=self.part)
        lists = {name: listed for name, listed in sheet["segments"].items() if name in checked.clean}
        checked.network = self._stage(
            "network", network.network, {"intake": list(checked.intake.values())}, sheet | {"segments": lists}
        )
        if checked.network is not None:
            upstream = {"clean": clouds, "network": checked.network}
            checked.refine = self._stage("refine", refine.refine, upstream)
        if checked.refine is not None:
            posed = [record for record in clouds if record.segment in checked.refine.result["poses"]]
            checked.frame = self._stage(
                "frame", frame.frame, {"clean": posed, "network": checked.network, "refine": checked.refine}
            )
        return checked

    def _settings(self, stage: str) -> dict[str, dict[str, Any]]:
        """The night's settings of a stage, with fewer correspondences."""
        values = self.job.settings(stage, self.part)
        if stage == "refine":
            few = min(CORRESPONDENCES, values["refine"]["correspondences"])
            values["refine"] = values["refine"] | {"correspondences": few}
        return values

    @contextmanager
    def _logged(self) -> Iterator[None]:
        """What a stage prints goes to the log."""
        with open(self.log, "a", encoding="utf-8") as log, redirect_stdout(log):
            yield

    def _segment(self, name: str, most: int) -> None:
        job = replace(self.job, hashes=Unhashed(self.day))
        sheet = job.sheet("intake", part=self.part, segment=name)
        path = self.day / sheet["file"]
        state = file_state.of(path)
        folder = self.scratch / "raw" / name
        folder.mkdir(parents=True)

        def read(upstream: Any, sheet: Any, settings: Any, folder: Path, threads: int) -> dict[str, Any]:
            missing = raw_files.fault(self.day, sheet["file"])
            if missing:
                raise Rejected(missing)
            raw, self.checked.samples[name] = sampling.read(
                path, sheet["file"], sheet["columns"], sheet["units"], most, folder
            )
            return intake.working_cloud(raw, sheet, settings, folder)

        taken = self._stage("intake", read, {}, sheet, name, raw=(path, state))
        if taken is None:
            return
        self.checked.intake[name] = taken
        cleaned = self._stage("clean", clean.clean, {"intake": taken}, segment=name)
        if cleaned is not None:
            self.checked.clean[name] = cleaned

    def _stage(
        self,
        stage: str,
        function: Callable[..., dict[str, Any]],
        upstream: Mapping[str, Any],
        sheet: Mapping[str, Any] | None = None,
        segment: str | None = None,
        raw: tuple[Path, file_state.FileState | None] | None = None,
    ) -> Upstream | None:
        """The result of a stage, None where it refuses the data; the refusal is among the faults."""
        subject = f"{self.part} {segment}" if segment else self.part
        folder = self.scratch / stage / (segment or "all")
        folder.mkdir(parents=True)
        began = time.monotonic()
        wanted = self.job.sheet(stage, part=self.part) if sheet is None else sheet
        try:
            with self._logged():
                result = function(upstream, wanted, frozen(self._settings(stage)), folder, 1)
        except Unplaced as unplaced:
            self.checked.faults += [Fault(name, stage, sentence) for name, sentence in unplaced.reasons.items()]
            return None
        except Rejected as rejection:
            copying = file_state.cut_short(raw[0], wanted["file"], raw[1], rejection) if raw else None
            self.checked.faults.append(Fault(segment, stage, copying or str(rejection), copying is not None))
            return None
        growing = file_state.growing(raw[0], wanted["file"], raw[1]) if raw else None
        if growing:
            self.checked.faults.append(Fault(segment, stage, growing, True))
            return None
        notes = result.pop("notes", [])
        self.checked.notes += notes
        self.progress(f"  {stage:8}{subject}  {time.monotonic() - began:.1f} s")
        return Upstream(stage, self.job.name, self.part, segment, "ok", [], notes, result, folder)
