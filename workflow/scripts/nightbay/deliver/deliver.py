"""Stage deliver: the levels of a part in open formats, with a checksum list and a note on units, frame and marks."""

from nightbay.core import hashing
from nightbay.core.errors import Rejected
from nightbay.core.version import version
from nightbay.deliver import formats
from nightbay.meshes import surface

UNITS = {"ply": "mm", "stl": "mm", "obj": "mm", "glb": "m"}
FRAMES = {
    "design_grid": "vehicle frame: X rearward, Y right, Z up",
    "iso_8855": "vehicle frame, ISO 8855: X forward, Y left, Z up",
    "as_scanned": "frame of the scan, without meaning",
}
MARKS = {
    "ply": "face property filled: 1 where made up",
    "stl": None,
    "obj": "groups measured and filled",
    "glb": "materials measured and filled",
}


def deliver(upstream, sheet, settings, folder, threads):
    """The stage's function; see ``stage.py``. Leaves ``<job>-<part>-<level>.<format>``, README.txt and SHA256SUMS."""
    source = upstream["reduce"]
    levels = source.result["levels"]
    wanted, axes = settings["deliver"]["formats"], upstream["frame"].result["axes"]
    for level in wanted:
        if level not in levels:
            raise Rejected(
                f"deliver.formats names the level {level}, which reduce does not make: it makes "
                f"{', '.join(sorted(levels))}; name one of them or add {level} to reduce.levels"
            )
    files = []
    for level in sorted(wanted):
        files += _write_level(source, level, wanted[level], axes, folder)
        print(f"{level}: {', '.join(wanted[level])}")
    (folder / "README.txt").write_text(_note(source, files, axes), encoding="utf-8", newline="\n")
    names = sorted(path.name for path in folder.iterdir())
    sums = "".join(f"{hashing.sha256(folder / name)}  {name}\n" for name in names)
    (folder / "SHA256SUMS").write_text(sums, encoding="ascii", newline="\n")
    return {"deliverables": sorted(files, key=lambda row: row["file"])}


def _write_level(source, level, wanted, axes, folder):
    """Write one level in its formats; a row for each file."""
    path = source.folder / f"{level}.ply"
    stem = f"{source.job}-{source.part}-{level}"
    comments = ["units mm", FRAMES[axes], f"part {source.part} of job {source.job}, level {level}"]
    mesh = surface.read_ply(path) if set(wanted) - {"ply"} else None
    for kind in sorted(wanted):
        target = folder / f"{stem}.{kind}"
        if kind == "ply":
            formats.copy_ply(path, target, [*comments, "filled 1: made up, not measured"])
        elif kind == "stl":
            formats.write_stl(target, mesh, f"units mm; {FRAMES[axes]}; filled unmarked")
        elif kind == "obj":
            formats.write_obj(target, mesh, [*comments, "group filled: made up, not measured"])
        else:
            extras = {"units": "m", "frame": FRAMES[axes], "filled": "made up, not measured"}
            formats.write_glb(target, mesh, stem, extras, z_up=axes != "as_scanned")
    return [
        {
            "file": f"{stem}.{kind}",
            "level": level,
            "format": kind,
            "units": UNITS[kind],
            "bytes": (folder / f"{stem}.{kind}").stat().st_size,
            "faces": source.result["levels"][level]["faces"],
            "marks": MARKS[kind],
        }
        for kind in wanted
    ]


def _note(source, files, axes):
    """README.txt: what a person who gets only these files must know."""
    lines = [
        f"Models of job {source.job}, part {source.part}.",
        "",
        f"Coordinates are in millimetres, {FRAMES[axes]}. GLB files are in metres.",
        *([] if axes == "as_scanned" else ["GLB files are also turned so that y is up, as glTF asks."]),
        "Surfaces are open: what the scanner did not see is missing, unless it is marked as filled. Filled faces are",
        "made up, not measured; STL has no place for a mark, so look for them in another format.",
        "",
    ]
    for row in sorted(files, key=lambda row: row["file"]):
        marks = row["marks"] or "filled faces are not marked"
        lines.append(f"{row['file']}: level {row['level']}, {row['faces']} faces, units {row['units']}, {marks}")
    for level, numbers in sorted(source.result["levels"].items()):
        if numbers["deviation"]:
            both = [numbers["deviation"][way] for way in ("level_to_full", "full_to_level")]
            worst = max(both, key=lambda figures: figures["max_mm"])
            lines.append(
                f"Level {level}: 95 % within {worst['p95_mm']} mm and all {worst['samples']} samples within "
                f"{worst['max_mm']} mm of the full surface."
            )
    return "\n".join([*lines, "", f"Made by Nightbay {version()}. Check the files: sha256sum -c SHA256SUMS"]) + "\n"
