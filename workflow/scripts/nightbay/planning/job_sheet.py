"""Reads one job of a day: its job sheet, checked, and completed by the files in its raw folder."""

import datetime
import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from nightbay.core import plain_file
from nightbay.core.errors import Rejected
from nightbay.pipeline.stages import ARTEFACT, PARTS, VEHICLE
from nightbay.planning import (
    artefact_entries,
    feature_entries,
    fiducial_entries,
    names,
    parameters,
    point_pairs,
    reference_entry,
    room_entries,
    section_entries,
    stance_entries,
    validation,
    yaml_file,
)
from nightbay.planning.point_pairs import PointPairs
from nightbay.planning.raw_files import RawFile

CLOUDS = (".ply", ".e57", ".xyz", ".csv", ".asc", ".txt", ".las", ".laz", ".obj", ".stl")
LISTS = (".csv", ".txt")


class Faults(Rejected):
    """Several faults of one job sheet, a sentence each."""

    def __init__(self, sentences: Iterable[str]) -> None:
        sentences = list(sentences)
        super().__init__(" ".join(sentences))
        self.sentences = sentences


@dataclass(frozen=True)
class Segment:
    """One raw export and the list of targets seen with it, or None."""

    name: str
    cloud: RawFile
    targets: RawFile | None


@dataclass(frozen=True)
class Part:
    """Segments that make one model or show artefacts, sorted by name; ``axes``: its orientation in the raw frame, if
    known.

    ``sizes``: distances to state; ``unplaced``: what becomes of the part when segments can't be placed, "refuse" or
    "leave_out"; ``point_pairs`` of two segments each; ``artefacts``: as the sheet states them; ``ordered``: features,
    distances and angles to state; ``stance``: segments that wheels, doors and lids are taken from;
    ``fiducials`` of the vehicle frame.
    """

    name: str
    segments: dict[str, Segment]
    control_survey: RawFile | None
    placed: bool
    axes: dict[str, Any]
    sizes: list[dict[str, Any]]
    fiducials: list[dict[str, Any]]
    parameters: dict[str, Any]
    unplaced: str
    point_pairs: list[PointPairs]
    artefacts: list[dict[str, Any]]
    ordered: dict[str, list[dict[str, Any]]]
    stance: dict[str, str]


@dataclass(frozen=True)
class JobSheet:
    """A job sheet that passed all checks; ``document``: the sheet as written; ``notes``: which files nothing uses."""

    name: str
    document: dict[str, Any]
    parts: dict[str, Part]
    notes: list[str]


def read(day: str | os.PathLike[str], job: str, classes: Sequence[str]) -> JobSheet:
    """The :class:`JobSheet` of folder ``job``. Raises :class:`Faults` with every fault found, a sentence each."""
    day = Path(day)
    fault = names.fault(job, day, names.ADDED_TO_JOB)
    if fault:
        raise Faults([f"{job!r} can't be the name of a job: {fault}; rename the folder."])
    sheet = f"{job}/job.yaml"
    if plain_file.leads_out(day / sheet, day / job):
        raise Faults([f"{sheet} is a link that leads out of the job's folder: copy the file itself into the folder."])
    try:
        document = yaml_file.read(day / job / "job.yaml", sheet)
    except Rejected as rejection:
        raise Faults([str(rejection)]) from rejection
    rules = validation.schema("job")
    if set(_mapping(document.get("parts"))) == {ARTEFACT}:
        rules = rules | {"required": []}  # no vehicle, so no class of vehicles
    sentences = validation.faults(document, rules, sheet)
    if isinstance(document.get("vehicle_class"), str) and document["vehicle_class"] not in classes:
        known = ", ".join(classes)
        sentences.append(f"{sheet}: 'vehicle_class' is '{document['vehicle_class']}'; allowed are {known}.")
    for prefix, section in _parameter_sections(document):
        sentences += parameters.section_faults(section, sheet, prefix)
    if not sentences:
        sentences += _date_faults(_mapping(document.get("identity")), sheet)
        sentences += _tolerance_faults(document, sheet)
    if sentences:
        raise Faults(sentences)
    reader = _Reader(day, job, document)
    parts = reader.parts()
    reader.check_listed_twice(parts)
    reader.check_join(parts)
    if "reference" in document:
        reader.raw_file("reference.file", document["reference"])
    reader.sentences += reference_entry.faults(document, sheet, parts)
    reader.sentences += section_entries.faults(sheet, document.get("sections", []), list(parts)) if parts else []
    if reader.sentences:
        raise Faults(reader.sentences)
    return JobSheet(job, document, parts, reader.unused_files(parts))


def _date_faults(identity: dict[str, Any], sheet: str) -> Iterator[str]:
    """Sentences on days that the calendar does not have, such as 2026-02-30."""
    for key in ("scanned_on", "calibrated_on"):
        try:
            datetime.date.fromisoformat(identity.get(key, "2000-01-01"))
        except ValueError:
            yield f"{sheet}: 'identity.{key}' is '{identity[key]}'; no calendar has this day: correct it."


def _tolerance_faults(document: dict[str, Any], sheet: str) -> Iterator[str]:
    """Sentences on tolerances of nominal values that nothing can meet."""
    for section in ("nominal_mm", "nominal_deg"):
        for name, given in _mapping(document.get(section)).items():
            lower, upper = (_mapping(given).get(key) for key in ("lower", "upper"))
            if lower is not None and upper is not None and lower > upper:
                yield (
                    f"{sheet}: '{section}.{name}' allows at least {lower:g} and at most {upper:g}, which nothing "
                    "meets: 'lower' is the lesser of the two deviations."
                )


def _parameter_sections(document: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Every mapping of parameters in the sheet with its key."""
    yield "parameters", _mapping(document.get("parameters"))
    for name, part in _mapping(document.get("parts")).items():
        yield f"parts.{name}.parameters", _mapping(_mapping(part).get("parameters"))


def _mapping(value: Any) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


class _Reader:
    """Turns a checked document into parts, and collects the faults found."""

    def __init__(self, day: Path, job: str, document: dict[str, Any]) -> None:
        self.day, self.job, self.document = day, job, document
        self.sheet = f"{job}/job.yaml"
        reference = reference_entry.raw_file(document, job)
        self.reference = None if reference is None else reference.file
        self.sentences: list[str] = []

    def parts(self) -> dict[str, Part]:
        """Parts by name, as written or as the raw folder has them."""
        written = self.document.get("parts")
        names = VEHICLE if written is None else [name for name in PARTS if name in written]
        parts = {}
        for name in names:
            part = self.part(name, (written or {}).get(name, {}))
            if part.segments:
                parts[name] = part
            elif written is not None and not self.sentences:
                self.sentences.append(
                    f"{self.sheet}: part '{name}' has no segments, neither listed nor in {self.job}/raw/{name}."
                )
        if not parts and not self.sentences:
            self.sentences.append(f"{self.job}/raw holds no raw export; formats read are {', '.join(CLOUDS)}.")
        return parts

    def part(self, name: str, written: dict[str, Any]) -> Part:
        """One part; files that the sheet does not list are looked for in the raw folder."""
        folders = [f"raw/{name}"] + (["raw"] if name == "exterior" else [])
        found, survey = self.discover(folders)
        listed = written.get("segments", found)
        segments = {}
        for segment in sorted(listed):
            fault = names.fault(segment, self.day, names.ADDED_TO_SEGMENT)
            if fault:
                self.sentences.append(
                    f"{self.sheet}: {segment!r} can't be the name of a segment: {fault}; rename the file, or list "
                    f"it under parts.{name}.segments with a name."
                )
                continue
            segments[segment] = self.segment(f"parts.{name}.segments.{segment}", segment, listed[segment])
        for entries in (room_entries, stance_entries, fiducial_entries):
            self.sentences += entries.faults(self.sheet, name, written, list(segments)) if segments else []
        self.sentences += feature_entries.faults(self.sheet, name, written)
        control = written.get("control_survey", survey)
        key = f"{self.sheet}: 'parts.{name}.point_pairs"
        pairs, faults = point_pairs.read(
            written.get("point_pairs", []), {own.name: own.cloud.units for own in segments.values()}, key
        )
        self.sentences += faults
        artefacts = written.get("artefacts", [])
        self.sentences += artefact_entries.faults(self.sheet, artefacts)
        return Part(
            name,
            segments,
            self.raw_file(f"parts.{name}.control_survey", control) if control and segments else None,
            written.get("placed", False),
            written.get("axes", {}),
            written.get("sizes", []),
            written.get("vehicle_frame", {}).get("fiducials", []),
            written.get("parameters", {}),
            written.get("unplaced", self.document.get("unplaced", "refuse")),
            pairs,
            artefacts,
            feature_entries.orders(written),
            written.get("stance", {}),
        )

    def segment(self, key: str, name: str, written: str | dict[str, Any]) -> Segment:
        """One segment; its list of targets is looked for beside the file where the sheet does not name one."""
        written = {"file": written} if isinstance(written, str) else written
        cloud = self.raw_file(key, written)
        if "targets" in written:
            targets = written["targets"]
        else:
            file = PurePosixPath(written["file"])
            beside = [str(file.parent / f"{file.stem}.targets{end}") for end in LISTS]
            # Not Path.exists, which raises for a name that is too long for any file.
            targets = next((file for file in beside if os.path.exists(self.day / self.job / file)), None)
        return Segment(name, cloud, self.raw_file(f"{key}.targets", targets) if targets else None)

    def raw_file(self, key: str, written: str | dict[str, Any]) -> RawFile:
        """A file of the sheet; its units are its own or the job's."""
        written = {"file": written} if isinstance(written, str) else written
        file = PurePosixPath(written["file"])
        if file.is_absolute() or ".." in file.parts or not file.name or "\\" in written["file"]:
            self.sentences.append(
                f"{self.sheet}: '{key}' is '{written['file']}'; a path inside the job's folder is needed, with '/' "
                "between its folders and no '..'."
            )
        units = written.get("units", self.document.get("units"))
        if units is None and not any("'units'" in sentence for sentence in self.sentences):
            self.sentences.append(
                f"{self.sheet} lacks the key 'units' for {written['file']}: declare mm, cm, m or inch; units are never "
                "guessed."
            )
        # A sheet without units is refused by the sentence above, so the empty units are never used.
        return RawFile(f"{self.job}/{file}", units or "", written.get("columns"))

    def discover(self, folders: Sequence[str]) -> tuple[dict[str, str], str | None]:
        """Raw exports by stem and the control survey that lie in these folders of the job."""
        found: dict[str, str] = {}
        survey = None
        for folder in folders:
            for entry in _files(self.day / self.job / folder):
                file, low = f"{folder}/{entry}", entry.lower()
                if low in ("control.csv", "control.txt"):
                    survey = survey or file
                elif low.endswith(tuple(f".targets{end}" for end in LISTS)) or f"{self.job}/{file}" == self.reference:
                    continue
                elif low.endswith(CLOUDS):
                    stem = PurePosixPath(entry).stem
                    if stem in found and "parts" not in self.document:
                        self.sentences.append(
                            f"{self.job}: {found[stem]} and {file} both give a segment the name '{stem}': rename one."
                        )
                    found[stem] = file
        return found, survey

    def check_join(self, parts: dict[str, Part]) -> None:
        """Refuse what the sheet says of the join where it can't be carried out."""
        ordered = self.document.get("join")
        if ordered is None or self.sentences:
            return
        if not set(VEHICLE) <= set(parts):
            self.sentences.append(
                f"{self.sheet}: 'join' needs an exterior and an interior, and the job has only an "
                f"{', '.join(parts)}: remove the key or add the other part."
            )
        names = [pair["name"] for pair in ordered.get("point_pairs_mm", [])]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            self.sentences.append(
                f"{self.sheet}: 'join.point_pairs_mm' has the name '{twice[0]}' more than once: give each pair a name "
                "of its own."
            )
        if ordered.get("by") == "points" and not names:
            self.sentences.append(
                f"{self.sheet}: 'join.by' is points, and 'join.point_pairs_mm' names none: list at least four pairs."
            )

    def unused_files(self, parts: dict[str, Part]) -> list[str]:
        """Sentences on the files in the raw folders that nothing uses."""
        used = {raw.file for part in parts.values() for _, raw in _raw_files(part)} | {self.reference}
        return [
            f"{self.job}/{folder}/{entry} is skipped: no segment uses it."
            for folder in ("raw", *(f"raw/{name}" for name in PARTS))
            for entry in _files(self.day / self.job / folder)
            if f"{self.job}/{folder}/{entry}" not in used
        ]

    def check_listed_twice(self, parts: dict[str, Part]) -> None:
        """Refuse a file that a job lists twice; only the control survey may serve both parts."""
        seen: dict[str, str] = {}
        for part in parts.values():
            for key, raw in _raw_files(part):
                real = os.path.realpath(self.day / raw.file)
                first = seen.setdefault(real, key)
                surveys = first.endswith("control_survey") and key.endswith("control_survey")
                if first != key and not surveys:
                    self.sentences.append(
                        f"{self.sheet}: {raw.file} is listed twice, at '{first}' and '{key}': list it once."
                    )


def _raw_files(part: Part) -> list[tuple[str, RawFile]]:
    """Every file of a part with its key in a job sheet."""
    files = [(f"parts.{part.name}.control_survey", part.control_survey)]
    for name, segment in part.segments.items():
        key = f"parts.{part.name}.segments.{name}"
        files += [(key, segment.cloud), (f"{key}.targets", segment.targets)]
    return [(key, raw) for key, raw in files if raw is not None]


def _files(folder: Path) -> list[str]:
    """Names of the visible files in a folder, sorted; none where it does not exist."""
    if not folder.is_dir():
        return []
    return sorted(path.name for path in folder.iterdir() if not path.is_dir() and not path.name.startswith("."))
