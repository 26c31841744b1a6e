"""Stage deliver: the levels of a part in open formats and what measure made for the customer, with a checksum list and
a note on units, frame and marks."""

import shutil
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from nightbay.core import axes, deliverables, hashing
from nightbay.core.axes import AS_SCANNED, Axes
from nightbay.core.cautions import IN_FILES, cautions
from nightbay.core.errors import Rejected
from nightbay.core.version import version
from nightbay.deliver import formats
from nightbay.deliver.result import Deliverable, DeliverResult, MeasuredFile
from nightbay.frame.result import FrameResult
from nightbay.meshes import surface
from nightbay.pipeline import typed
from nightbay.reduce.result import Level, ReduceResult

UNITS = {"ply": "mm", "stl": "mm", "obj": "mm", "glb": "m"}
MARKS = {
    "ply": "face property filled: 1 where made up",
    "stl": None,
    "obj": "groups measured and filled",
    "glb": "materials measured and filled",
}
FILLED = "made up, not measured"  # what a mark means, in files


@dataclass(frozen=True)
class Source:
    """What is delivered: the ``levels`` of a ``part`` of a ``job``, by name, whose files are in ``folder``, and the
    ``axes`` of their frame."""

    job: str
    part: str
    folder: Path
    levels: dict[str, Level]
    axes: Axes


def deliver(upstream: Mapping[str, Any], sheet: Mapping[str, Any], settings: Any, folder: Path, threads: int) -> dict:
    """Write ``<job>-<part>-<level>.<format>``, ``<job>-<part>-<file>`` for each of measure's files for the customer,
    README.txt and SHA256SUMS, and return a :class:`DeliverResult`.

    :mod:`nightbay.pipeline.stage` describes the arguments.
    """
    reduced, frame = upstream["reduce"], typed.read(FrameResult, upstream["frame"].result)
    levels = typed.read(ReduceResult, reduced.result).levels
    source = Source(reduced.job, reduced.part, reduced.folder, levels, axes.axes(frame.axes))
    wanted = settings.deliver.formats
    for level in wanted:
        if level not in levels:
            raise Rejected(
                f"deliver.formats names the level {level}, which reduce does not make: it makes "
                f"{', '.join(sorted(levels))}; name one of them or add {level} to reduce.levels"
            )
    files = []
    for level in sorted(wanted):
        files += _write_level(source, level, wanted[level], folder)
        print(f"{level}: {', '.join(wanted[level])}")
    files.sort(key=lambda row: row.file)
    measured = _copy_measured(source, upstream["measure"].folder, folder)
    note = _note(source, files, measured, settings.deliver.safety_line)
    (folder / "README.txt").write_text(note, encoding="utf-8", newline="\n")
    names = sorted(path.name for path in folder.iterdir())
    sums = "".join(f"{hashing.sha256(folder / name)}  {name}\n" for name in names)
    (folder / "SHA256SUMS").write_text(sums, encoding="ascii", newline="\n")
    return typed.write(DeliverResult(files, measured))


def _copy_measured(source: Source, measured: Path, folder: Path) -> list[MeasuredFile]:
    """Copy what measure left for the customer; ``measured``: its data folder. Copies, not links: a file that a customer
    edits in place must not change a result."""
    rows = []
    for name, about in deliverables.described(measured).items():
        target = folder / f"{source.job}-{source.part}-{name}"
        if target.exists():
            raise ValueError(f"{target.name}: measure made a file of the name of a model")
        shutil.copyfile(measured / deliverables.FOLDER / name, target)
        rows.append(MeasuredFile(target.name, target.stat().st_size, about))
    return rows


def _write_level(source: Source, level: str, wanted: Sequence[str], folder: Path) -> list[Deliverable]:
    """Write one level in its formats."""
    path = source.folder / f"{level}.ply"
    stem = f"{source.job}-{source.part}-{level}"
    frame = source.axes.meaning
    comments = ["units mm", frame, f"part {source.part} of job {source.job}, level {level}", f"caution: {IN_FILES}"]
    mesh = surface.read_ply(path) if set(wanted) - {"ply"} else None
    for kind in sorted(wanted):
        target = folder / f"{stem}.{kind}"
        if mesh is None or kind == "ply":
            formats.copy_ply(path, target, [*comments, f"filled 1: {FILLED}"])
        elif kind == "stl":
            formats.write_stl(target, mesh, f"units mm; {frame}; filled unmarked")
        elif kind == "obj":
            formats.write_obj(target, mesh, [*comments, f"group filled: {FILLED}"])
        else:
            extras = {"units": "m", "frame": frame, "filled": FILLED, "caution": IN_FILES}
            formats.write_glb(target, mesh, stem, extras, z_up=source.axes != AS_SCANNED)
    return [
        Deliverable(
            file=f"{stem}.{kind}",
            level=level,
            format=kind,
            units=UNITS[kind],
            bytes=(folder / f"{stem}.{kind}").stat().st_size,
            faces=source.levels[level].faces,
            marks=MARKS[kind],
        )
        for kind in wanted
    ]


def _note(source: Source, files: Sequence[Deliverable], measured: Sequence[MeasuredFile], safety_line: str) -> str:
    """README.txt: what a reader who has only these files must know."""
    lines = [
        f"Models of job {source.job}, part {source.part}.",
        "",
        f"Coordinates are in millimetres, {source.axes.meaning}. GLB files are in metres.",
        *([] if source.axes == AS_SCANNED else ["GLB files are also rotated: y is up, as glTF requires."]),
        "Surfaces are open: what the scanner did not see is missing, unless it is marked as filled. Filled faces",
        "continue the surface around them and were not measured. STL files can't mark them; other formats do.",
        "",
        "Cautions",
        *(textwrap.fill(f"- {sentence}", 100, subsequent_indent="  ") for sentence in cautions(safety_line)),
        "",
    ]
    for row in files:
        marks = row.marks or "filled faces are not marked"
        lines.append(f"{row.file}: level {row.level}, {row.faces} faces, units {row.units}, {marks}")
    for level, numbers in sorted(source.levels.items()):
        if numbers.deviation:
            both = (numbers.deviation.level_to_full, numbers.deviation.full_to_level)
            worst = max(both, key=lambda distances: distances.max_mm)
            lines.append(
                f"Level {level}: 95 % within {worst.p95_mm} mm and all {worst.samples} samples within "
                f"{worst.max_mm} mm of the full surface."
            )
    if measured:
        lines += ["", *(f"{row.file}: {row.about}" if row.about else row.file for row in measured)]
    return "\n".join([*lines, "", f"Made by Nightbay {version()}. Check the files: sha256sum -c SHA256SUMS"]) + "\n"
