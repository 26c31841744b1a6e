"""Plans a day: which jobs there are, what each stage of each job is told, and which jobs are refused and why."""

import difflib
from dataclasses import dataclass, field
from pathlib import Path

from nightbay import jobsheet, parameters
from nightbay.errors import Rejected
from nightbay.jobsheet import NAME, NAME_RULE
from nightbay.rawfiles import Hashes

RESERVED = ("results", "logs", "benchmarks", "board")  # folders that a night run makes in the day
# Size without compression: LAZ saves four fifths, E57 packs its bits to half. Common practice, no source.
UNPACKED = {".laz": 5, ".e57": 2}
STATE = ("load", "tyre_pressure_kpa", "ride_height", "temperature_c", "body_material")


@dataclass(frozen=True)
class Job:
    """An accepted job. ``resolved``: all parameters by part, and under None those of the job."""

    name: str
    vehicle_class: str
    extent_mm: dict
    parts: dict
    document: dict
    resolved: dict
    notes: list
    hashes: Hashes = field(repr=False)

    def settings(self, stage, part=None):
        """Resolved parameters for a stage: ``{"scan": {...}, stage: {...}}``."""
        resolved = self.resolved[part]
        return {"scan": resolved["scan"], stage: resolved.get(stage, {})}

    def sheet(self, stage, job=None, part=None, segment=None):
        """What a stage needs from the job sheet, as plain data; nothing else, so that nothing else reruns it.

        ``job`` is the job's own name, taken so that a rule's wildcards can be handed over as they are.
        """
        make = {
            "intake": self._intake_sheet,
            "network": self._network_sheet,
            "frame": self._frame_sheet,
            "measure": lambda part, segment: {"nominal_mm": self.document.get("nominal_mm", {})},
            "report": self._report_sheet,
        }
        return make.get(stage, lambda part, segment: {})(part, segment)

    def raw_mb(self, part=None, segment=None):
        """Size of the raw exports of a segment, a part or the whole job, MB, as it would be without compression."""
        parts = self.parts.values() if part is None else [self.parts[part]]
        files = [one.cloud.file for each in parts for name, one in each.segments.items() if segment in (None, name)]
        return sum(self.hashes.size(file) * UNPACKED.get(Path(file).suffix.lower(), 1) for file in files) / 1e6

    def _raw(self, raw):
        if raw is None:
            return None
        return {"file": raw.file, **self.hashes.of(raw.file), "units": raw.units, "columns": raw.columns}

    def _intake_sheet(self, part, segment):
        raw = self._raw(self.parts[part].segments[segment].cloud)
        return {**raw, "part": part, "vehicle_class": self.vehicle_class, "extent_mm": self.extent_mm}

    def _network_sheet(self, part, segment):
        part = self.parts[part]
        state = self.document.get("state", {})
        return {
            "control_survey": self._raw(part.control_survey),
            "segments": {name: {"targets": self._raw(one.targets)} for name, one in part.segments.items()},
            "placed": part.placed,
            "scale_bars": self._bars(part.name),
            "temperature_c": state.get("temperature_c"),
            "body_material": state.get("body_material"),
            "extent_mm": self.extent_mm,
        }

    def _bars(self, part):
        """Scale bars stand beside the vehicle while its outside is scanned: None for an interior that is not alone."""
        if part == parameters.INTERIOR and len(self.parts) > 1:
            return None
        bars = self.document.get("scale_bars", [])
        return [{**bar, "from": str(bar["from"]), "to": str(bar["to"])} for bar in bars]

    def _frame_sheet(self, part, segment):
        return {"axes": self.parts[part].axes, "segments": list(self.parts[part].segments), "extent_mm": self.extent_mm}

    def _report_sheet(self, part, segment):
        state = self.document.get("state", {})
        return {
            "title": self.document.get("title", self.name),
            "note": self.document.get("note", ""),
            "vehicle_class": self.vehicle_class,
            "extents_mm": parameters.extents() | {self.vehicle_class: self.extent_mm},
            "state": {key: state.get(key, "unknown") for key in STATE},
            "nominal_mm": self.document.get("nominal_mm", {}),
            "parts": {name: list(part.segments) for name, part in self.parts.items()},
            "parameters": {name: self.resolved[name] for name in self.parts},
            "notes": self.notes,
        }


@dataclass(frozen=True)
class Plan:
    """A day's jobs: accepted ones, refused ones with their reasons, and sentences on what was left aside."""

    jobs: dict
    refused: dict
    notes: list


def plan(day, defaults, only=None, classes=parameters.CLASSES):
    """Plan the jobs of folder ``day``.

    ``defaults``: the content of config/config.yaml, as the user may have changed it. ``only``: names of the jobs to
    plan, all of them without it. A job that is refused never stops the others; faults in ``defaults`` or ``only`` stop
    the whole plan with :class:`Rejected`.
    """
    day = Path(day)
    faults = parameters.section_faults(defaults, "config/config.yaml", partial=False)
    faults += [f"config/config.yaml lacks the section '{one}'." for one in parameters.SECTIONS if one not in defaults]
    if faults:
        raise Rejected(" ".join(faults))
    folders, notes = _folders(day)
    if only is not None:
        _check_only(only, folders)
        folders = [name for name in folders if name in only]
    hashes, known = Hashes(day), parameters.classes(classes)
    jobs, refused = {}, {}
    for name in folders:
        try:
            jobs[name] = _job(day, name, defaults, classes, known, hashes)
        except jobsheet.Faults as found:
            refused[name] = found.sentences
        except Rejected as rejection:
            refused[name] = [str(rejection)]
    return Plan(jobs, refused, notes)


def _folders(day):
    """Names of the folders with a job sheet, sorted, and sentences on those without."""
    folders, notes = [], []
    for entry in sorted(day.iterdir()):
        if not entry.is_dir() or entry.name.startswith(".") or entry.name in RESERVED[:3]:
            continue
        if (entry / "job.yaml").exists() or (entry / "job.yaml").is_symlink():
            folders.append(entry.name)
        else:
            other = next((one for one in ("job.yml", "Job.yaml", "job.yaml.txt") if (entry / one).exists()), None)
            hint = f"rename {other} to job.yaml" if other else "write one if it is a job"
            notes.append(f"The folder {entry.name} holds no job.yaml and is left aside: {hint}.")
    return folders, notes


def _check_only(only, folders):
    for name in only:
        if not NAME.fullmatch(name):
            raise Rejected(f"{name!r} can't be the name of a job: {NAME_RULE}.")
        if name not in folders:
            near = difflib.get_close_matches(name, folders, n=1)
            hint = f"did you mean '{near[0]}'?" if near else f"there are {', '.join(folders) or 'none'}"
            raise Rejected(f"The day has no job '{name}' ({hint}).")


def _job(day, name, defaults, classes, known, hashes):
    if name in RESERVED:
        raise Rejected(f"A job can't be called '{name}', for a night run uses that name itself: rename the folder.")
    sheet = jobsheet.read(day, name, known)
    preset = parameters.preset(sheet.document["vehicle_class"], classes)
    interior = parameters.preset(parameters.INTERIOR, classes) if parameters.INTERIOR in sheet.parts else None
    own = sheet.document.get("parameters", {})
    resolved = {None: parameters.resolve(defaults, [*preset.layers, own])}
    for part in sheet.parts.values():
        over = interior.layers if part.name == parameters.INTERIOR else []
        resolved[part.name] = parameters.resolve(defaults, [*preset.layers, *over, own, part.parameters])
    _check_copies(sheet, hashes)
    return Job(
        name,
        preset.name,
        preset.extent_mm,
        sheet.parts,
        sheet.document,
        resolved,
        sheet.notes,
        hashes,
    )


def _check_copies(sheet, hashes):
    """Two exports with the same content are one export listed twice; only files of one size are read for it."""
    clouds = [one.cloud.file for part in sheet.parts.values() for one in part.segments.values()]
    by_size = {}
    for file in clouds:
        by_size.setdefault(hashes.size(file), []).append(file)
    first = {}
    for file in (one for size, files in by_size.items() if size and len(files) > 1 for one in files):
        content = hashes.of(file)["sha256"]
        if content is not None and first.setdefault(content, file) != file:
            raise Rejected(
                f"{first[content]} and {file} have the same content, so one export is listed twice: remove one or "
                "export the right one."
            )
