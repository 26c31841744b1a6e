"""A job of a day as it was planned: what each stage of it gets, from its job sheet and its resolved parameters."""

from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from nightbay.pipeline.stages import ARTEFACT, STAGES, VEHICLE
from nightbay.planning import artefact_entries, parameters, reference_entry, section_entries
from nightbay.planning.job_sheet import Part
from nightbay.planning.raw_files import Hashes, Unhashed

# Size without compression in units of the file's size: LAZ takes a fifth, E57 half. Common practice, no source.
UNPACKED = {".laz": 5, ".e57": 2}
OF_THE_NIGHT = ("artefact.history",)  # parameters that no stage reads
STATE = ("load", "tyre_pressure_kpa", "ride_height", "temperature_c", "body_material")


@dataclass(frozen=True)
class Job:
    """An accepted job. ``resolved``: all parameters by part, and under None those of the job."""

    name: str
    vehicle_class: str
    extent_mm: dict[str, list[float]]
    parts: dict[str, Part]
    document: dict[str, Any]
    resolved: dict[str | None, dict[str, dict[str, Any]]]
    notes: list[str]
    hashes: Hashes = field(repr=False)

    def settings(self, stage: str, part: str | None = None) -> dict[str, dict[str, Any]]:
        """Resolved parameters for a stage: its own section, and of ``scan`` the keys that it declares."""
        resolved = self.resolved[part]
        own = {key: value for key, value in resolved[stage].items() if f"{stage}.{key}" not in OF_THE_NIGHT}
        return {"scan": {key: resolved["scan"][key] for key in STAGES[stage].scan}, stage: own}

    def segments(self) -> dict[str, list[str]]:
        """The names of the segments by part."""
        return {name: list(part.segments) for name, part in self.parts.items()}

    def sheet(
        self, stage: str, job: str | None = None, part: str | None = None, segment: str | None = None
    ) -> dict[str, Any]:
        """What a stage needs from the job sheet, as plain data. A change of anything else does not rerun it.

        ``job`` is not used; it lets a rule pass its wildcards unchanged.
        """
        make = {
            "intake": self._intake_sheet,
            "network": self._network_sheet,
            "refine": self._refine_sheet,
            "frame": self._frame_sheet,
            "fill": self._fill_sheet,
            "measure": self._measure_sheet,
            "join": self._join_sheet,
            "artefact": self._artefact_sheet,
            "report": self._report_sheet,
        }
        return make.get(stage, lambda part, segment: {})(part, segment)

    def raw_mb(self, part: str | None = None, segment: str | None = None) -> float:
        """Size of the raw exports of a segment, a part or the whole job, MB, as it would be without compression."""
        parts = self.parts.values() if part is None else [self.parts[part]]
        files = [raw.cloud.file for each in parts for name, raw in each.segments.items() if segment in (None, name)]
        return sum(self.hashes.size(file) * UNPACKED.get(Path(file).suffix.lower(), 1) for file in files) / 1e6

    def reference_mb(self, part: str) -> float:
        """Size of the mesh that a part is compared with, MB; 0 without one."""
        if part != reference_entry.part_of(self.document, self.parts):
            return 0.0
        raw = reference_entry.raw_file(self.document, self.name)
        return self.hashes.size(raw.file) / 1e6 if raw else 0.0

    def rehearse(self) -> None:
        """Evaluate all that the rules will ask for, except the hashes, so that faults show while the day is planned."""
        job = replace(self, hashes=Unhashed(self.hashes.day))
        for part in job.parts.values():
            for stage in STAGES:
                whole = STAGES[stage].unit == "job"
                if not STAGES[stage].runs_for(job.parts if whole else [part.name]):
                    continue
                for segment in part.segments:
                    names = {"part": None} if whole else {"part": part.name, "segment": segment}
                    job.settings(stage, names["part"])
                    job.sheet(stage, **names)
                    job.raw_mb(**names)

    def _raw(self, raw):
        if raw is None:
            return None
        return {"file": raw.file, **self.hashes.of(raw.file), "units": raw.units, "columns": raw.columns}

    def _intake_sheet(self, part, segment):
        raw = self._raw(self.parts[part].segments[segment].cloud)
        if part == ARTEFACT:
            return {**raw, "part": part, **artefact_entries.plausible(self.parts[part].artefacts)}
        return {**raw, "part": part, "vehicle_class": self.vehicle_class, "extent_mm": self.extent_mm}

    def _network_sheet(self, part, segment):
        part = self.parts[part]
        state = self.document.get("state", {})
        return {
            "control_survey": self._raw(part.control_survey),
            "segments": {name: {"targets": self._raw(segment.targets)} for name, segment in part.segments.items()},
            "placed": part.placed,
            "unplaced": part.unplaced,
            "scale_bars": self._bars(part.name),
            "temperature_c": state.get("temperature_c"),
            "body_material": state.get("body_material"),
            "extent_mm": self.extent_mm,
        }

    def _refine_sheet(self, part, segment):
        part = self.parts[part]
        return {"unplaced": part.unplaced, "point_pairs": [asdict(pairs) for pairs in part.point_pairs]}

    def _bars(self, part):
        """Scale bars stand beside the vehicle while its outside is scanned: None for an interior that is not alone."""
        if part == parameters.INTERIOR and set(VEHICLE) <= set(self.parts):
            return None
        bars = self.document.get("scale_bars", [])
        return [_sorted({**bar, "from": str(bar["from"]), "to": str(bar["to"])}) for bar in bars]

    def _nominal(self):
        """Nominal dimensions, and angles where the sheet has any: a stage whose sheet does not change is not rerun."""
        given = {name: self.document.get(name, {}) for name in ("nominal_mm", "nominal_deg")}
        return {
            name: {key: _sorted(value) if isinstance(value, dict) else value for key, value in _sorted(entries).items()}
            for name, entries in given.items()
            if entries or name == "nominal_mm"
        }

    def _frame_sheet(self, part, segment):
        axes = {name: _sorted(value) if isinstance(value, dict) else value for name, value in self._axes(part)}
        stance, fiducials = self.parts[part].stance, [_sorted(entry) for entry in self.parts[part].fiducials]
        return {"axes": axes, "segments": list(self.parts[part].segments), "extent_mm": self.extent_mm} | (
            ({"stance": _sorted(stance)} if stance else {})
            | ({"vehicle_frame": {"fiducials": fiducials}} if fiducials else {})
        )

    def _fill_sheet(self, part, segment):
        mirror = self.document.get("parts", {}).get(part, {}).get("mirror")
        return {"mirror": mirror} if mirror else {}

    def _axes(self, part):
        return sorted(self.parts[part].axes.items())

    def _measure_sheet(self, part, segment):
        sizes = [
            {"name": size["name"], "from": _sorted(size["from"]), "to": _sorted(size["to"])}
            for size in self.parts[part].sizes
        ]
        reference = self._reference() if part == reference_entry.part_of(self.document, self.parts) else {}
        ordered = {"ordered": self.parts[part].ordered} if self.parts[part].ordered else {}
        sections = section_entries.of_part(self.document.get("sections", []), part, list(self.parts))
        cut = {"sections": [_sorted(entry) for entry in sections]} if sections else {}
        return self._nominal() | ({"sizes": sizes} if sizes else {}) | cut | reference | ordered

    def _reference(self):
        raw = self._raw(reference_entry.raw_file(self.document, self.name))
        return {"reference": {**raw, **reference_entry.orders(self.document)}}

    def _join_sheet(self, part, segment):
        lists = {
            part.name: {name: self._raw(segment.targets) for name, segment in part.segments.items()}
            for part in self.parts.values()
            if part.name in VEHICLE
        }
        return {**self._join_orders(), "targets": lists}

    def _artefact_sheet(self, part, segment):
        part = self.parts[part]
        return {
            "artefacts": [artefact_entries.plain(entry) for entry in part.artefacts],
            "placed": part.placed,
            "targets": {name: self._raw(segment.targets) for name, segment in part.segments.items()},
        }

    def _join_orders(self):
        """What the job sheet orders of the join, with every key."""
        ordered = self.document.get("join", {})
        pairs = [_sorted(pair) for pair in ordered.get("point_pairs_mm", [])]
        return {"by": ordered.get("by"), "combined": ordered.get("combined", False), "point_pairs_mm": pairs}

    def _report_sheet(self, part, segment):
        state = self.document.get("state", {})
        return {
            "title": self.document.get("title", self.name),
            "note": self.document.get("note", ""),
            "identity": _sorted(self.document.get("identity", {})),
            "vehicle_class": self.vehicle_class,
            "extents_mm": parameters.extents() | ({self.vehicle_class: self.extent_mm} if self.vehicle_class else {}),
            "state": {key: state.get(key, "unknown") for key in STATE},
            **self._nominal(),
            "scale_bars": len(self.document.get("scale_bars", [])),
            "sizes": {name: [size["name"] for size in part.sizes] for name, part in self.parts.items() if part.sizes},
            "parts": self.segments(),
            **({"combined_ordered": self._join_orders()["combined"]} if STAGES["join"].runs_for(self.parts) else {}),
            "parameters": {name: self.resolved[name] for name in self.parts},
            "notes": self.notes,
        }


def _sorted(mapping: dict[str, Any]) -> dict[str, Any]:
    """A mapping sorted by its keys, because Snakemake takes another order for another value."""
    return dict(sorted(mapping.items()))
